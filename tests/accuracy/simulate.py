"""Simulated traces whose truth is known: peaks on a moving baseline, in white or coloured noise. Seeded, so the same
class and number give the same trace. Times in s from injection, signals in mAU, areas in mAU s."""
import zlib
from dataclasses import dataclass, field

import numpy as np
from scipy.special import erfcx

HEIGHTS_PER_SD = 6.0  # the peak-to-peak h of the pharmacopoeias' 2H/h is taken as six standard deviations of the noise


@dataclass
class Peak:
    """An exponentially modified Gaussian."""
    area: float
    mu: float
    sigma: float
    tau: float
    apex: float = 0.0
    width: float = 0.0  # full at half height


@dataclass
class Trace:
    rate: float
    signal: np.ndarray
    peaks: list = field(default_factory=list)
    noise_sd: float = 0.0
    rho: float = 0.0  # correlation of neighbouring samples


@dataclass
class Kind:
    """A class of traces. Pairs are ranges between which a value is drawn; the ratio of 2H/h is drawn by its logarithm."""
    name: str
    ratio: tuple = (100.0, 300.0)
    tail: tuple = (0.1, 0.6)      # tau over sigma
    pair: tuple = ()              # resolution; height of the first and the second over the larger
    rate: float = 5.0
    minutes: float = 22.0
    memory: tuple = ()            # of coloured noise, s
    wander: float = 0.0           # mAU
    blank: bool = False
    judged: int = 0               # which peak of a pair counts: 0 both


def emg(t, area, mu, sigma, tau):
    """Density times area; the scaled complementary error function keeps exp() from overflowing."""
    u = (t - mu) / sigma
    if tau <= 1e-3 * sigma:
        return area * np.exp(-0.5 * u * u) / (sigma * np.sqrt(2 * np.pi))
    z = (sigma / tau - u) / np.sqrt(2)
    near = z > -5
    out = np.empty_like(t)
    out[near] = np.exp(-0.5 * u[near] ** 2) * erfcx(z[near])
    out[~near] = 2 * np.exp(0.5 * (sigma / tau) ** 2 - (t[~near] - mu) / tau)
    return area / (2 * tau) * out


def shape(sigma, tau):
    """Apex after mu, height of unit area, width at half height."""
    t = np.linspace(-8 * sigma, 8 * sigma + 8 * tau, 60001)
    y = emg(t, 1.0, 0.0, sigma, tau)
    top = int(np.argmax(y))
    half = y > 0.5 * y[top]
    a, b = int(np.argmax(half)), len(half) - 1 - int(np.argmax(half[::-1]))
    return t[top], y[top], t[b] - t[a]


def noise(rng, n, sd, rho):
    """White, or of first order with the standard deviation kept."""
    from scipy.signal import lfilter
    fresh = rng.standard_normal(n)
    if rho == 0.0:
        return sd * fresh
    fresh[1:] *= np.sqrt(1 - rho * rho)
    return sd * lfilter([1.0], [1.0, -rho], fresh)


def make(kind, number):
    """The trace of a class with this number."""
    rng = np.random.default_rng([zlib.crc32(kind.name.encode()), number])
    n = int(kind.minutes * 60 * kind.rate) + 1
    t = np.arange(n) / kind.rate
    sd = float(np.exp(rng.uniform(np.log(0.02), np.log(0.1))))
    rho = float(np.exp(-1 / kind.rate / rng.uniform(*kind.memory))) if kind.memory else 0.0
    y = 1.5 + rng.uniform(-10, 10) * t / 3600 + noise(rng, n, sd, rho)
    if kind.wander:
        y += kind.wander * np.sin(2 * np.pi * t / rng.uniform(900, 2400) + rng.uniform(0, 6.3))
    trace = Trace(kind.rate, y, [], sd, rho)
    if kind.blank:
        return trace
    y += emg(t, 25.0, 200.0, 6.0, 3.0) - emg(t, 14.0, 218.0, 6.0, 3.0)  # the injection front
    sigma = rng.uniform(7, 11)
    tau = rng.uniform(*kind.tail) * sigma
    after, unit, width = shape(sigma, tau)
    height = np.exp(rng.uniform(np.log(kind.ratio[0]), np.log(kind.ratio[1]))) * HEIGHTS_PER_SD * sd / 2
    # Anywhere between the grid points of the time axis.
    mu = rng.uniform(380, 420)
    resolution, *heights = kind.pair or (0.0, 1.0)
    apart = resolution * 2 * width / 1.18  # USP <621>: 1.18 dt / (w1 + w2)
    # In an unequal pair the ratio is that of the smaller, so that noise stays below geometry.
    height /= min(heights)
    for k, h in enumerate(heights):
        p = Peak(h * height / unit, mu + k * apart, sigma, tau, mu + k * apart + after, width)
        trace.peaks.append(p)
        y += emg(t, p.area, p.mu, sigma, tau)
    return trace


def kinds():
    """All classes of the table, in its order."""
    return [
        Kind("isolated, 2H/h 100-300, drift"),
        Kind("the same, curved baseline", wander=0.15),
        Kind("the same, coloured noise", memory=(0.3, 1.5)),
        Kind("the same, 160 Hz", rate=160.0, minutes=12.0),
        Kind("the same, 1 Hz", rate=1.0),
        Kind("isolated, 2H/h 10", ratio=(10.0, 10.0)),
        Kind("isolated, 2H/h 5", ratio=(5.0, 5.0)),
        Kind("near the limit, 2H/h 3-10", ratio=(3.0, 10.0)),
        Kind("near the limit, coloured noise", ratio=(3.0, 10.0), memory=(0.3, 1.5)),
        Kind("below it, 2H/h 1-3.3", ratio=(1.0, 10 / 3)),
        Kind("below it, 1 Hz", ratio=(1.5, 10 / 3), rate=1.0),
        Kind("long tails, tau/sigma 2-4", tail=(2.0, 4.0)),
        Kind("Rs 1.5, 1:1", pair=(1.5, 1.0, 1.0)),
        Kind("Rs 1.5, 1:10, small first", pair=(1.5, 0.1, 1.0), judged=1),
        Kind("Rs 1.5, 10:1, small last", pair=(1.5, 1.0, 0.1), judged=2),
        Kind("Rs 1.0, 1:1", pair=(1.0, 1.0, 1.0)),
        Kind("Rs 1.0, 1:10, small first", pair=(1.0, 0.1, 1.0), judged=1),
        Kind("Rs 1.0, 10:1, small last", pair=(1.0, 1.0, 0.1), judged=2),
    ]


def blanks():
    """An hour without a peak."""
    return [
        Kind("blank, white noise", rate=2.0, minutes=60.0, wander=0.15, blank=True),
        Kind("blank, coloured noise", rate=2.0, minutes=60.0, wander=0.15, blank=True, memory=(0.5, 4.0)),
    ]


def bounds(trace, peak):
    """Least standard deviations of the area that noise allows, relative: for a known shape and place, and for an
    exponentially modified Gaussian whose place, width and tail are unknown as well. Both beside a straight baseline of
    unknown level and slope over the peak and eight standard deviations on either side; the neighbour of a pair is free too.

    The inverse of Fisher's information; coloured noise is whitened first."""
    lo = min(p.mu - 8 * p.sigma for p in trace.peaks)
    hi = max(p.mu + 8 * p.sigma + 8 * p.tau for p in trace.peaks)
    t = np.arange(np.ceil(lo * trace.rate), hi * trace.rate) / trace.rate
    line = [np.ones_like(t), (t - t.mean()) / (hi - lo)]
    known, free = [], []
    for p in [peak] + [q for q in trace.peaks if q is not peak]:
        args = np.array([p.area, p.mu, p.sigma, p.tau])
        known.append(emg(t, 1.0, *args[1:]))
        for k in range(4):
            step = np.zeros(4)
            step[k] = 1e-4 * (args[k] if k in (0, 3) else args[2])
            free.append((emg(t, *(args + step)) - emg(t, *(args - step))) / (2 * step[k]))
    out = []
    for columns in (known + line, free + line):
        x = np.column_stack(columns)
        if trace.rho:
            x = (x[1:] - trace.rho * x[:-1]) / np.sqrt(1 - trace.rho ** 2)
        scale = np.linalg.norm(x, axis=0)
        r = np.linalg.qr(x / scale, mode="r")
        inverse = np.linalg.inv(r)
        out.append(trace.noise_sd * np.linalg.norm(inverse[0]) / scale[0] / peak.area)
    return out
