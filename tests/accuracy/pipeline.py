"""What a careful chemist would write with scipy: smooth, find_peaks, bounds where the flanks have died away, straight
baselines under everything that touches, verticals at valleys, trapezoids on the raw signal."""
import numpy as np
from scipy.signal import find_peaks, savgol_filter

USUAL_WIDTH_S = 20.0  # full at half height: the chemist knows the column
THRESHOLD = 9.0       # prominence over the noise of the smoothed signal


def peaks(signal, rate):
    """(apex s, area mAU s) of every peak that is found, in order of time."""
    block = max(1, int(rate // 10))  # ten samples a second are plenty
    if block > 1:
        n = len(signal) // block * block
        signal = signal[:n].reshape(-1, block).mean(axis=1)
    late = (block - 1) / 2 / rate
    rate = rate / block
    window = max(5, int(USUAL_WIDTH_S * 0.6 * rate) | 1)
    smooth = savgol_filter(signal, window, 2)
    sd = quiet(smooth, rate)
    usual = USUAL_WIDTH_S * rate
    tops, _ = find_peaks(smooth, prominence=THRESHOLD * sd, width=0.3 * usual, wlen=int(16 * usual) | 1)
    out = []
    for run, a, b in runs(smooth, list(tops), sd, usual):
        base = line(signal, a, b, int(0.5 * usual))
        cuts = [p + int(np.argmin(smooth[p:q + 1])) for p, q in zip(run, run[1:])]
        edges = [a] + cuts + [b]
        for top, lo, hi in zip(run, edges, edges[1:]):
            above = signal[lo:hi + 1] - base(np.arange(lo, hi + 1))
            out.append((late + apex(smooth, top) / rate, float(np.trapezoid(above, dx=1 / rate))))
    return out


def quiet(smooth, rate):
    """Noise that is left after smoothing, from the differences over half a width; the median keeps the peaks out."""
    lag = max(1, int(0.5 * USUAL_WIDTH_S * rate))
    step = smooth[lag:] - smooth[:-lag]
    return 1.4826 * np.median(np.abs(step - np.median(step))) / np.sqrt(2) + 1e-12


def runs(smooth, tops, sd, usual):
    """Peaks that touch, with the first and last sample of the baseline below them. Bounds first stand far out, then where
    the flanks of the outermost peaks tell."""
    n = len(smooth)
    groups = []
    for top in tops:
        if groups and top - groups[-1][-1] < 5 * usual:
            groups[-1].append(top)
        else:
            groups.append([top])
    out, wall = [], 0
    for g, run in enumerate(groups):
        ahead = groups[g + 1][0] if g + 1 < len(groups) else n - 1 + int(4 * usual)
        a = max(wall, int(run[0] - 3.5 * usual), 0)
        b = min(n - 1, int(run[-1] + 6 * usual), int(ahead - 2.5 * usual))
        for _ in range(3):
            base = line(smooth, a, b, int(0.5 * usual))
            first = flank(smooth, base, run[0], -1, sd, usual)
            last = flank(smooth, base, run[-1], 1, sd, usual)
            a = max(wall, int(run[0] - first), 0)
            b = min(n - 1, int(run[-1] + last), max(run[-1] + 1, int(ahead - 2.5 * usual)))
        out += parted(smooth, run, a, b, base, sd)
        wall = b
    return out


def parted(smooth, run, a, b, base, sd):
    """Cuts a run where the signal between two peaks comes back to the baseline."""
    for k, (p, q) in enumerate(zip(run, run[1:])):
        low = p + int(np.argmin(smooth[p:q + 1]))
        if smooth[low] - base(low) < 2 * sd and q - p > 0.2 * len(smooth):
            return [(run[:k + 1], a, low)] + parted(smooth, run[k + 1:], low, b, base, sd)
    return [(run, a, b)]


def flank(smooth, base, top, step, sd, usual):
    """Samples from the apex to where less than half a per cent of the height is left: from the half widths at 50 and 10 %.
    Beyond 10 % a front falls like a Gaussian and a tail like an exponential."""
    height = smooth[top] - base(top)

    def width(part):
        k = top
        while 0 < k < len(smooth) - 1 and abs(k - top) < 12 * usual and smooth[k] - base(k) > part * height:
            k += step
        return abs(k - top)

    half = min(max(width(0.5), 0.3 * usual), 1.5 * usual)
    if height < 30 * sd:
        return (2.9 if step < 0 else 3.4) * half
    tenth = min(max(width(0.1), 1.5 * half), 5 * half)
    # Where a Gaussian is at 10 % seen from its half width: 1.82 times as far out; what is more is tail.
    decay = max(0.0, tenth - 1.82 * half) / 0.8
    return 1.65 * tenth + (1.2 * decay if step > 0 else 0.0)


def line(signal, a, b, reach):
    """Through the means of the samples just outside the bounds."""
    lo, hi = max(0, a - reach), min(len(signal), b + reach + 1)
    xa, ya = (lo + a) / 2, signal[lo:a + 1].mean()
    xb, yb = (b + hi - 1) / 2, signal[b:hi].mean()
    slope = (yb - ya) / max(1.0, xb - xa)
    return lambda x: ya + slope * (x - xa)


def apex(smooth, top):
    """Vertex of the parabola through three samples."""
    if not 0 < top < len(smooth) - 1:
        return float(top)
    before, at, after = smooth[top - 1:top + 2]
    bend = before - 2 * at + after
    return top if bend == 0 else top + 0.5 * (before - after) / bend
