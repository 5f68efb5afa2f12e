#!/usr/bin/env python3
"""Computes every expected value of this folder anew, with numpy, scipy and exact fractions, and compares.

Run it without arguments; `--list` prints what was computed. It reads only the files beside it. Exit status 1 where a value
differs, where a listed value is not computed here, or where a file of the folder is looked at by nothing.

What certifies to 15 digits (linear least squares, moments) is done in fractions, so that no rounding of ours is in it; the
rest is done in doubles by other routes than the program's: hulls and a linear programme for the narrowest pair of lines,
tau f' + f = Gaussian for the exponentially modified Gaussian, root finding for its widths, quadrature for its areas.
"""
import csv
import itertools
import math
import sys
from decimal import Decimal, getcontext
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy import integrate, optimize, signal, spatial, special, stats

HERE = Path(__file__).resolve().parent
getcontext().prec = 60

computed = {}      # id -> value
differences = []
counted = 0
looked_at = set()


# ------------------------------------------------------------------- reading and comparing

def rows(name):
    looked_at.add(name)
    with open(HERE / name, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def column(name, key, kind=float):
    return [kind(row[key]) for row in rows(name)]


def there(name):
    return (HERE / name).exists()


def same(what, got, want, relative=0.0, absolute=0.0):
    """Counts one comparison; the tolerance is the larger of the two."""
    global counted
    counted += 1
    got, want = exact(got), exact(want)
    if abs(got - want) > max(exact(relative) * abs(want), exact(absolute)):
        differences.append(f"{what}: computed {float(got):.15g}, the file has {float(want):.15g}")


def exact(value):
    if isinstance(value, Decimal):
        return value
    if isinstance(value, Fraction):
        return Decimal(value.numerator) / Decimal(value.denominator)
    if isinstance(value, str):
        return Decimal(value)
    return Decimal(repr(float(value)))


def put(prefix, **values):
    for key, value in values.items():
        computed[f"{prefix}.{key}"] = value


# ------------------------------------------------------------------- least squares in fractions

def solve(matrix):
    """Inverse of a small matrix of fractions."""
    n = len(matrix)
    work = [list(row) + [Fraction(int(i == k)) for k in range(n)] for i, row in enumerate(matrix)]
    for i in range(n):
        pivot = next(k for k in range(i, n) if work[k][i] != 0)
        work[i], work[pivot] = work[pivot], work[i]
        work[i] = [v / work[i][i] for v in work[i]]
        for k in range(n):
            if k != i:
                work[k] = [a - work[k][i] * b for a, b in zip(work[k], work[i])]
    return [row[n:] for row in work]


def fit(x, y, powers):
    """Coefficients, their standard errors, residual SD, sum of squares, R², F of a polynomial; all but roots exact."""
    basis = [[v ** p for p in powers] for v in x]
    normal = [[sum(b[i] * b[k] for b in basis) for k in range(len(powers))] for i in range(len(powers))]
    right = [sum(b[i] * v for b, v in zip(basis, y)) for i in range(len(powers))]
    inverse = solve(normal)
    beta = [sum(a * b for a, b in zip(row, right)) for row in inverse]
    rss = sum((v - sum(c * b for c, b in zip(beta, bs))) ** 2 for v, bs in zip(y, basis))
    through_zero = 0 not in powers
    # Without an intercept the sum of squares is about zero.
    middle = 0 if through_zero else sum(y) / len(y)
    total = sum((v - middle) ** 2 for v in y)
    df = len(y) - len(powers)
    variance = rss / df
    model_df = len(powers) - (0 if through_zero else 1)
    return dict(
        beta=beta, se=[exact(variance * inverse[i][i]).sqrt() for i in range(len(powers))],
        s_res=exact(variance).sqrt(), rss=rss, r2=1 - rss / total, F=(total - rss) / model_df / variance,
        corr=None if through_zero else exact(inverse[0][1]) / exact(inverse[0][0] * inverse[1][1]).sqrt())


def strd_linear():
    for name, powers in (("norris", (0, 1)), ("pontius", (0, 1, 2)), ("noint1", (1,)), ("noint2", (1,))):
        file = f"nist_{name}.csv"
        f = fit(column(file, "x", Fraction), column(file, "y", Fraction), powers)
        put(name, s_res=f["s_res"], rss=f["rss"], r2=f["r2"], F=f["F"])
        for power, beta, se in zip(powers, f["beta"], f["se"]):
            put(name, **{f"b{power}": beta, f"se_b{power}": se})


def strd_univariate():
    for name in ("lew", "michelso", "mavro", "numacc1", "numacc2", "numacc3", "numacc4"):
        y = column(f"nist_{name}.csv", "y", Fraction)
        mean = sum(y) / len(y)
        off = [v - mean for v in y]
        squares = sum(v * v for v in off)
        put(name, mean=mean, sd=exact(squares / (len(y) - 1)).sqrt(),
            r1=sum(a * b for a, b in zip(off, off[1:])) / squares)


# ------------------------------------------------------------------- peak fitting

# Start values of the data sets, the one farther away first.
GAUSS_STARTS = {
    "gauss1": ((97, .009, 100, 65, 20, 70, 178, 16.5), (94, .0105, 99, 63, 25, 71, 180, 20)),
    "gauss2": ((96, .009, 103, 106, 18, 72, 151, 18), (98, .0105, 103, 105, 20, 73, 150, 20)),
    "gauss3": ((94.9, .009, 90.1, 113, 20, 73.8, 140, 20), (96, .0096, 80, 110, 25, 74, 139, 25)),
}


def two_peaks(b, x):
    """Falling exponential plus two Gaussians, and its derivatives."""
    decay = np.exp(-b[1] * x)
    value, slopes = b[0] * decay, [decay, -b[0] * x * decay]
    for height, centre, width in (b[2:5], b[5:8]):
        u = (x - centre) / width
        bell = np.exp(-u * u)
        value = value + height * bell
        slopes += [bell, 2 * height * bell * u / width, 2 * height * bell * u * u / width]
    return value, np.column_stack(slopes)


def strd_peaks():
    for name, starts in GAUSS_STARTS.items():
        file = f"nist_{name}.csv"
        if not there(file):
            continue
        x, y = np.array(column(file, "x")), np.array(column(file, "y"))
        ends = []
        for start in starts:
            b = optimize.least_squares(lambda b: two_peaks(b, x)[0] - y, start, lambda b: two_peaks(b, x)[1],
                                       method="lm", xtol=1e-14, ftol=1e-14).x
            for _ in range(5):
                value, slopes = two_peaks(b, x)
                b = b + np.linalg.lstsq(slopes, y - value, rcond=None)[0]
            ends.append(b)
        for k, (a, b) in enumerate(zip(*ends), 1):
            same(f"{name}.b{k} from both starts", a, b, relative=1e-10)
        value, slopes = two_peaks(ends[0], x)
        rss = math.fsum((y - value) ** 2)
        s = math.sqrt(rss / (len(y) - 8))
        scale = np.linalg.norm(slopes, axis=0)
        inverse = np.linalg.inv(np.linalg.qr(slopes / scale, mode="r"))
        se = s * np.linalg.norm(inverse, axis=1) / scale
        put(name, rss=rss, s_res=s, **{f"b{k}": v for k, v in enumerate(ends[0], 1)},
            **{f"se_b{k}": v for k, v in enumerate(se, 1)})
        b, widths = ends[0], []
        for k, (height, width) in enumerate(((b[2], b[4]), (b[5], b[7])), 1):
            widths.append(2 * math.sqrt(math.log(2)) * width)
            put(name, **{f"peak{k}_area": height * width * math.sqrt(math.pi), f"peak{k}_W50": widths[-1]})
        put(name, Rs_1p18=1.18 * (b[6] - b[3]) / sum(widths))


# ------------------------------------------------------------------- calibration

class Line:
    """Weighted straight line in doubles, weights brought to a mean of one."""

    def __init__(self, x, y, w=None):
        x, y = np.asarray(x, float), np.asarray(y, float)
        w = np.ones(len(x)) if w is None else np.asarray(w, float) * len(x) / np.sum(w)
        self.n, self.x_mean, self.y_mean = len(x), np.average(x, weights=w), np.average(y, weights=w)
        self.sxx = np.sum(w * (x - self.x_mean) ** 2)
        self.b = np.sum(w * (x - self.x_mean) * (y - self.y_mean)) / self.sxx
        self.a = self.y_mean - self.b * self.x_mean
        self.rest = y - self.a - self.b * x
        self.s = math.sqrt(np.sum(w * self.rest ** 2) / (self.n - 2))
        self.sb = self.s / math.sqrt(self.sxx)
        self.sa = self.s * math.sqrt(1 / self.n + self.x_mean ** 2 / self.sxx)
        self.r = self.b * math.sqrt(self.sxx / np.sum(w * (y - self.y_mean) ** 2))
        self.t = stats.t.ppf(0.975, self.n - 2)

    def back(self, y0, weight=1.0):
        """Amount of a reading and its standard error; `weight`: of the reading, or the number of readings."""
        se = self.s / self.b * math.sqrt(1 / weight + 1 / self.n + (y0 - self.y_mean) ** 2 / (self.b ** 2 * self.sxx))
        return (y0 - self.a) / self.b, se


def fluorescence():
    x, y = column("cal_fluorescence.csv", "conc_pg_per_mL"), column("cal_fluorescence.csv", "intensity")
    f = Line(x, y)
    put("fluor", a=f.a, b=f.b, s=f.s, sa=f.sa, sb=f.sb, r=f.r, ci_a=f.t * f.sa, ci_b=f.t * f.sb)
    for y0 in (2.9, 13.5, 23.0):
        x0, se = f.back(y0)
        at = str(y0).replace(".", "p")
        put("fluor", **{f"x0_{at}": x0, f"sx0_{at}": se, f"ci_{at}": f.t * se})
    put("fluor", sx0_13p5_m2=f.back(13.5, 2)[1], sx0_13p5_m4=f.back(13.5, 4)[1])
    put("fluor", lod_3s_over_b=3 * f.s / f.b, lod_ich_syx=3.3 * f.s / f.b, loq_ich_syx=10 * f.s / f.b,
        lod_ich_sa=3.3 * f.sa / f.b, loq_ich_sa=10 * f.sa / f.b)
    # DIN 32645: critical value at 5 %, determination limit at a relative half interval of a third, one reading.
    root = math.sqrt(1 + 1 / f.n + f.x_mean ** 2 / f.sxx)
    critical = f.s * stats.t.ppf(0.95, f.n - 2) * root
    limit = optimize.brentq(lambda c: c - 3 * f.s / f.b * f.t * math.sqrt(1 + 1 / f.n + (c - f.x_mean) ** 2 / f.sxx),
                            1e-6, 100, xtol=1e-14)
    put("fluor", din_yc=f.a + critical, din_xng=critical / f.b, din_xeg=2 * critical / f.b, din_xbg_k3=limit)
    off = [100 * ((v - f.a) / f.b - c) / c for c, v in zip(x, y) if c > 0]
    put("fluor", rse_percent=math.sqrt(sum(e * e for e in off) / (len(off) - 2)), max_abs_re_percent=max(map(abs, off)))


def weighted():
    x, y, s = (column("cal_weighted.csv", k) for k in ("conc", "signal", "s"))
    raw = 1 / np.array(s) ** 2
    w = raw / raw.mean()
    f, plain = Line(x, y, w), Line(x, y)
    put("wls", a=f.a, b=f.b, s=f.s, w1=w[0], w6=w[5], ols_a=plain.a, ols_b=plain.b)
    for y0, weight, at in ((0.1, 1.8, "0p100"), (0.6, 0.044, "0p600")):
        x0, se = f.back(y0, weight)
        ox0, ose = plain.back(y0)
        put("wls", **{f"x0_{at}": x0, f"sx0_{at}": se, f"ci_{at}": f.t * se, f"ols_x0_{at}": ox0,
                      f"ols_ci_{at}": plain.t * ose})


def other_lines():
    f = Line(column("cal_std_addition.csv", "added_ng_per_mL"), column("cal_std_addition.csv", "signal"))
    se = f.s / f.b * math.sqrt(1 / f.n + f.y_mean ** 2 / (f.b ** 2 * f.sxx))
    put("sadd", a=f.a, b=f.b, xE=f.a / f.b, s_xE=se, ci=f.t * se)
    f = Line(column("cal_massart.csv", "x"), column("cal_massart.csv", "y"))
    put("massart", b0=f.a, b1=f.b, s=f.s)
    f = Line(column("quam_a5_cadmium.csv", "conc_mg_per_L"), column("quam_a5_cadmium.csv", "absorbance"))
    c0, se = f.back((0.0712 + 0.0716) / 2, 2)
    put("a5", B0=f.a, B1=f.b, u_B0=f.sa, u_B1=f.sb, S=f.s, Sxx=f.sxx, c0=c0, u_c0=se,
        corr=-f.x_mean / math.sqrt(f.sxx / f.n + f.x_mean ** 2))
    t, b = column("gum_h3_thermometer.csv", "t_degC", Fraction), column("gum_h3_thermometer.csv", "b_degC", Fraction)
    g = fit([v - 20 for v in t], b, (0, 1))
    (y1, y2), (u1, u2), r = map(exact, g["beta"]), g["se"], g["corr"]
    put("h3", y1=y1, y2=y2, u_y1=u1, u_y2=u2, s=g["s_res"], r=r, rss=g["rss"], b30=y1 + 10 * y2,
        u_b30=(u1 ** 2 + 100 * u2 ** 2 + 20 * u1 * u2 * r).sqrt())


RULES = {"1": 0, "1/x": 1, "1/x2": 2}


def bracketed(calibrators, rule, powers, before, after, place, area):
    """An area set right by the response of the standards before and after it, and read off the curve.

    Every error is propagated by differences of the whole reckoning, from all areas that enter it. A standard and a sample
    scatter as calibrators of the same response do."""
    x = np.array([c for c, _ in calibrators])
    rule = RULES[rule]
    raw = x ** -float(rule)
    weight = lambda c: max(c, x.min()) ** -float(rule) / raw.mean()
    design = lambda c: np.array([c ** p for p in powers])
    root = np.sqrt(raw / raw.mean())

    def curve(y):
        return np.linalg.lstsq(np.array([design(c) for c in x]) * root[:, None], y * root, rcond=None)[0]

    groups = [g for g in (before, after) if g]

    def factors(beta, areas):
        out, areas = [], list(areas)
        for group in groups:
            own, areas = areas[:len(group)], areas[len(group):]
            fitted = [design(c) @ beta for _, c, _ in group]
            out.append(sum(weight(c) * f * a for (_, c, _), f, a in zip(group, fitted, own))
                       / sum(weight(c) * f * f for (_, c, _), f in zip(group, fitted)))
        return out

    y = np.array([a for _, a in calibrators])
    shown = np.array([a for group in groups for _, _, a in group])
    beta = curve(y)
    # Where a checkpoint stands is taken as known.
    places = [np.average([at for at, _, _ in g], weights=[weight(c) * (design(c) @ beta) ** 2 for _, c, _ in g])
              for g in groups]

    def factor(beta, areas):
        out = factors(beta, areas)
        if len(out) == 1:
            return out[0]
        return out[0] + (out[1] - out[0]) * (place - places[0]) / (places[1] - places[0])

    s = math.sqrt(sum((root * (y - [design(c) @ beta for c in x])) ** 2) / (len(x) - len(powers)))
    f = factor(beta, shown)
    own = [v for v, group in zip(factors(beta, shown), groups) for _ in group]
    sds = np.concatenate([s / root, [s * v ** (rule / 2) / math.sqrt(weight(c))
                                     for v, (_, c, _) in zip(own, (e for g in groups for e in g))]])
    amount = lambda reading, beta: optimize.brentq(lambda c: design(c) @ beta - reading, 0, 1.2 * x.max(), xtol=1e-15)

    def scatter(at):
        def off(data):
            # After Fieller: how far the reading is off what the amount would give here.
            beta = curve(data[:len(y)])
            return (area - factor(beta, data[len(y):]) * (design(at) @ beta)) / f
        data, total = np.concatenate([y, shown]), (s * f ** (rule / 2 - 1)) ** 2 / weight(at)
        for k, sd in enumerate(sds):
            step = np.zeros(len(data))
            step[k] = 1e-4 * sd
            total += ((off(data + step) - off(data - step)) / 2e-4) ** 2
        return math.sqrt(total)

    c = amount(area / f, beta)
    slope = sum(p * b * c ** (p - 1) for p, b in zip(powers, beta) if p)
    t = stats.t.ppf(0.975, len(x) - len(powers))
    bound = lambda side: optimize.brentq(lambda at: side * (design(at) @ beta - area / f) - t * scatter(at), c,
                                         c + side * 3 * t * scatter(c) / slope, xtol=1e-14)
    return dict(plain=amount(area, beta), factor=f, amount=c, se=scatter(c) / slope, low=bound(-1), high=bound(1))


def bracketing():
    numbers = lambda text: [tuple(float(v) for v in part.split(":")) for part in text.split()]
    for row in rows("bracketing.csv"):
        got = bracketed(numbers(row["calibrators"]), row["weight"], [int(p) for p in row["powers"]],
                        numbers(row["before"]), numbers(row["after"]), float(row["place"]), float(row["area"]))
        for key, value in got.items():
            same(f"bracketing {row['case']}: {key}", value, row[key], relative=1e-7)


def quantiles():
    for row in rows("student_t_quantiles.csv"):
        for key in (k for k in row if k.startswith("p")):
            same(f"t({row['df']}; {key})", stats.t.ppf(float(key[1:]), int(row["df"])), row[key], relative=1e-11)
    for row in rows("normal_quantiles.csv"):
        same(f"z({row['p']})", special.ndtri(float(row["p"])), row["z"], relative=3e-14)
    put("p", **{f"1_{k}s": 2 * stats.norm.sf(k) for k in (2, 3)})
    for row in rows("mdl_student_t99.csv"):
        same(f"t99 of {row['replicates']}", stats.t.ppf(0.99, int(row["replicates"]) - 1), row["t99"], absolute=5.1e-4)


# ------------------------------------------------------------------- trends and outliers

def trends():
    if there("theil_sen_cloud_seeding.csv"):
        x, y = column("theil_sen_cloud_seeding.csv", "year"), column("theil_sen_cloud_seeding.csv", "ratio")
        put("ts", slope=sen(x, y), S=kendall_s(y))
    if there("trend_recovery.csv"):
        x, y = column("trend_recovery.csv", "run"), column("trend_recovery.csv", "recovery_percent")
        n, s = len(y), kendall_s(y)
        ties = [y.count(v) for v in set(y)]
        var = (n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties)) / 18
        z = (s - math.copysign(1, s)) / math.sqrt(var) if s else 0.0
        slope, intercept, low, high = stats.theilslopes(y, x, 0.95)
        same("Sen's slope by both ways", sen(x, y), slope, relative=1e-12)
        put("mk", S=s, var=var, Z=z, p=2 * stats.norm.sf(abs(z)), sen_slope=slope, sen_intercept=intercept, sen_lo=low,
            sen_hi=high, tau_b=stats.kendalltau(x, y).statistic, ols_slope=Line(x, y).b)
    if there("grubbs_handbook.csv"):
        y = np.array(column("grubbs_handbook.csv", "x"))
        n, sd = len(y), y.std(ddof=1)
        t = stats.t.isf(0.05 / n, n - 2)
        put("grubbs", mean=y.mean(), sd=sd, G=np.abs(y - y.mean()).max() / sd,
            crit_upper=(n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t)))
    # By the distribution itself: n c^2/(n - 1)^2 of one value is beta distributed, and it may lie on either side.
    for n in range(3, 11):
        u = special.betaincinv((n - 2) / 2, 0.5, 0.05 / n)
        put("grubbs_two_sided", **{f"crit_{n}": (n - 1) / math.sqrt(n) * math.sqrt(1 - u)})


def rates_of_change():
    if not there("rate_of_change.csv"):
        return
    times, values = column("rate_of_change.csv", "time_h"), column("rate_of_change.csv", "value")
    at = {t: [v for u, v in zip(times, values) if u == t] for t in times}
    for before, after in itertools.pairwise(sorted(at)):
        hours = after - before
        bounds = stats.ttest_ind(at[after], at[before], equal_var=False).confidence_interval(0.95)
        put(f"rate_{after:.0f}", per_h=(np.mean(at[after]) - np.mean(at[before])) / hours, low=bounds.low / hours,
            high=bounds.high / hours)


def sen(x, y):
    return float(np.median([(d - b) / (c - a) for (a, b), (c, d) in itertools.combinations(zip(x, y), 2)]))


def kendall_s(y):
    return int(sum(np.sign(b - a) for a, b in itertools.combinations(y, 2)))


# ------------------------------------------------------------------- smoothing, noise, drift

def smoothing():
    for row in rows("savgol_coefficients.csv"):
        n, degree, order, norm = (int(row[k]) for k in ("points", "degree", "derivative", "norm"))
        weights = signal.savgol_coeffs(n, degree, deriv=order, use="dot") * norm
        want = row["integers_left_to_right"].split()
        same(f"{row['kind']} {n}: weights", len(weights), len(want))
        for k, (a, b) in enumerate(zip(weights, want)):
            same(f"{row['kind']} {n}, weight {k}", a, b, absolute=1e-9)


def narrowest(t, y):
    """Vertical width and slope of the narrowest pair of parallel lines that holds all points. One of the two holds an edge of
    the hull, so that the slopes of the edges are all that can be the best."""
    points = np.column_stack([t, y])
    edges = points[spatial.ConvexHull(points).simplices]
    run = edges[:, 1, 0] - edges[:, 0, 0]
    slopes = (edges[:, 1, 1] - edges[:, 0, 1])[run != 0] / run[run != 0]
    return min((np.ptp(y - s * t), s) for s in slopes)


def by_programme(t, y):
    """The same by a linear programme, to its solver's tolerance."""
    one = np.ones(len(t))
    mid = t - t.mean()
    got = optimize.linprog([0, 0, 2], np.vstack([np.column_stack([-one, -mid, -one]), np.column_stack([one, mid, -one])]),
                           np.concatenate([-y, y]), bounds=[(None, None)] * 2 + [(0, None)])
    return got.fun, got.x[1]


def noise():
    t, y = np.array(column("noise_synthetic.csv", "time_s")), np.array(column("noise_synthetic.csv", "signal_mAU"))
    widths = []
    for k in range(0, 3600, 60):
        width, _ = narrowest(t[k:k + 60], y[k:k + 60])
        widths.append(width)
        same(f"narrowest pair of segment {k // 60}, hull and programme", width, by_programme(t[k:k + 60], y[k:k + 60])[0],
             absolute=1e-6)
    _, slope = narrowest(t, y)
    same("drift, hull and programme", 3600 * slope, 3600 * by_programme(t, y)[1], absolute=1e-4)
    put("noise", short_15min=np.mean(widths[:15]), short_60min=np.mean(widths), drift_minimax_per_h=3600 * slope,
        drift_least_squares_per_h=3600 * Line(t, y).b)


# ------------------------------------------------------------------- exponentially modified Gaussians

def bell(t, area, mu, sigma):
    return area * stats.norm.pdf(t, mu, sigma)


def emg(t, area, mu, sigma, tau):
    if tau == 0:
        return bell(t, area, mu, sigma)
    t = np.asarray(t, float)
    u, z = (t - mu) / sigma, (sigma / tau - (t - mu) / sigma) / math.sqrt(2)
    # Each of the two forms where it cannot overflow.
    with np.errstate(over="ignore", invalid="ignore"):
        scaled = np.exp(-0.5 * u * u) * special.erfcx(z)
        plain = np.exp(0.5 * (sigma / tau) ** 2 - (t - mu) / tau) * special.erfc(z)
    return area / (2 * tau) * np.where(z > 0, scaled, plain)


def slope(t, area, mu, sigma, tau):
    """By tau f' + f = Gaussian."""
    if tau == 0:
        return -(t - mu) / sigma ** 2 * bell(t, area, mu, sigma)
    return (bell(t, area, mu, sigma) - emg(t, area, mu, sigma, tau)) / tau


def before(t, area, mu, sigma, tau):
    """Area up to a time, by the integral of the same equation."""
    return area * stats.norm.cdf(t, mu, sigma) - (tau * emg(t, area, mu, sigma, tau) if tau else 0.0)


def summit(mu, sigma, tau):
    """Apex of a single one; scale and area do not matter."""
    return mu if tau == 0 else optimize.brentq(lambda t: slope(t, 1.0, mu, sigma, tau) * sigma ** 2, mu - sigma,
                                               mu + min(tau, 12 * sigma) + 3 * sigma, xtol=1e-14, rtol=1e-14)


def at_height(part, args, top):
    """Times at which the signal is at a part of its height."""
    _, mu, sigma, tau = args
    level = part * float(emg(top, *args))
    off = lambda t: float(emg(t, *args)) - level
    return (optimize.brentq(off, mu - 12 * sigma, top, xtol=1e-14, rtol=1e-14),
            optimize.brentq(off, top, mu + 12 * sigma + 40 * tau, xtol=1e-14, rtol=1e-14))


def peaks():
    for row in rows("emg_truth.csv"):
        v = {k: float(x) for k, x in row.items() if k != "case"}
        args = area, mu, sigma, tau = v["area_A"], v["mu"], v["sigma"], v["tau"]
        is_ = lambda key, got, rel=1e-11: same(f"{row['case']} {key}", got, row[key], relative=rel, absolute=1e-13)
        top = summit(mu, sigma, tau)
        height, spread = float(emg(top, *args)), sigma ** 2 + tau ** 2
        is_("t_apex", top)
        is_("H_apex", height)
        is_("mean", mu + tau)
        is_("variance", spread)
        is_("mu3", 2 * tau ** 3)
        is_("skew", 2 * tau ** 3 / spread ** 1.5)
        is_("excess_kurtosis", 6 * tau ** 4 / spread ** 2)
        flanks = {}
        for part, at in ((0.5, "50"), (0.1, "10"), (0.05, "05")):
            left, right = flanks[at] = at_height(part, args, top)
            is_("tL" + at, left)
            is_("tR" + at, right)
            is_("W" + at, right - left)
        (l50, r50), (l10, r10), (l05, r05) = (flanks[k] for k in ("50", "10", "05"))
        is_("As_W05_over_2d", (r05 - l05) / (2 * (top - l05)), 1e-10)
        is_("BA_10pct", (r10 - top) / (top - l10), 1e-10)
        is_("N_5p54", 5.54 * (top / (r50 - l50)) ** 2)
        is_("N_moments", (mu + tau) ** 2 / spread)
        is_("N_foley_dorsey", 41.7 * (top / (r10 - l10)) ** 2 / ((r10 - top) / (top - l10) + 1.25), 1e-10)
        is_("frac_area_before_apex", before(top, *args) / area, 1e-10)
        is_("frac_area_between_5pct", (before(r05, *args) - before(l05, *args)) / area, 1e-10)
        # The density holds its area and its mean by plain quadrature as well.
        ends = (mu - 10 * sigma, mu + 10 * sigma + 40 * tau)
        for power, want in ((0, area), (1, area * (mu + tau))):
            got = integrate.quad(lambda t: t ** power * float(emg(t, *args)), *ends, points=[top, r05], epsrel=1e-12,
                                 epsabs=0, limit=400)[0]
            same(f"{row['case']} moment {power} by quadrature", got, want, relative=1e-10)
    if there("emg_points.csv"):
        for row in rows("emg_points.csv"):
            *args, t = (float(row[k]) for k in ("area_A", "mu", "sigma", "tau", "t"))
            what = f"{row['case']} at {row['t']}"
            same(what + ": f", float(emg(t, *args)), row["f"], relative=1e-9, absolute=1e-300)
            _, mu, sigma, tau = args
            low = mu - 14 * sigma
            spots = [mu + k * sigma for k in (-6, -3, 0, 3, 6)] + [mu + k * tau for k in (1, 3, 9, 27)]
            inner = [p for p in spots + [t - 3 * sigma, t - 0.5 * sigma] if low < p < t]
            area = integrate.quad(lambda u: float(emg(u, *args)), low, t, points=inner or None, epsrel=1e-11, epsabs=0,
                                  limit=500)[0] if t > low else 0.0
            same(what + ": cdf", area, row["cdf"], relative=1e-8, absolute=1e-30)


def pairs():
    for row in rows("overlap_truth.csv"):
        apart, tau, h1, h2 = (float(row[k]) for k in ("delta_t_over_sigma", "tau_over_sigma", "height1", "height2"))
        top = summit(0.0, 1.0, tau)
        unit = float(emg(top, 1.0, 0.0, 1.0, tau))
        left, right = at_height(0.5, (1.0, 0.0, 1.0, tau), top)
        one, two = (h1 / unit, 0.0, 1.0, tau), (h2 / unit, apart, 1.0, tau)
        what = f"pair {apart} sigma apart, tau {tau}, {row['height1']} and {row['height2']}"
        is_ = lambda key, got, tol=1e-10: same(f"{what}: {key}", got, row[key], relative=tol, absolute=1e-10)
        is_("true_area1", one[0])
        is_("true_area2", two[0])
        is_("Rs_base_4sigma", apart / 4)
        is_("Rs_1p18_W50", 1.18 * apart / (2 * (right - left)))
        steep = lambda t: slope(t, *one) + slope(t, *two)
        grid = np.linspace(-2 - math.pi / 1e3, apart + 5, 14001)  # no maximum of an even pair falls on a grid point
        values = steep(grid)
        turns = [optimize.brentq(steep, grid[k], grid[k + 1], xtol=1e-14, rtol=1e-14)
                 for k in np.nonzero(np.sign(values[:-1]) != np.sign(values[1:]))[0]]
        same(what + ": maxima and valley", len(turns), 3 if row["valley"] == "yes" else 1)
        if row["valley"] != "yes" or len(turns) != 3:
            continue
        both = lambda t: float(emg(t, *one) + emg(t, *two))
        cut = turns[1]
        drop = before(cut, *one) + before(cut, *two)
        is_("t_max1", turns[0], 1e-9)
        is_("t_max2", turns[2], 1e-9)
        is_("t_valley", cut, 1e-9)
        is_("valley_height", both(cut))
        is_("p_over_v_smaller_peak", min(both(turns[0]), both(turns[2])) / both(cut))
        is_("drop_area1", drop)
        is_("drop_area2", one[0] + two[0] - drop)
        same(what + ": err1", 100 * (drop / one[0] - 1), row["err1_percent"], absolute=1e-7)
        same(what + ": err2", 100 * ((one[0] + two[0] - drop) / two[0] - 1), row["err2_percent"], absolute=1e-6)


def made_run():
    t = np.array(column("synthetic_run.csv", "time_s")) / 60
    clean, noisy = np.array(column("synthetic_run.csv", "clean_mAU")), np.array(column("synthetic_run.csv", "noisy_mAU"))
    base, total = 2 + 0.03 * t, 0.0
    model = base.copy()
    for row in rows("synthetic_run_truth.csv"):
        args = [float(row[k]) for k in ("area_mAU_min", "mu_min", "sigma_min", "tau_min")]
        total += args[0]
        model += emg(t, *args)
    same("made run: farthest from the stated sum", np.abs(model - clean).max(), 0, absolute=2e-9)
    same("made run: whole area", np.trapezoid(clean - base, t), total, relative=1e-6)
    same("made run: noise", np.std(noisy - clean, ddof=1), 0.05, relative=0.03)
    gap = np.nonzero((t > 8.25) & (t < 8.6))[0]
    cut = gap[np.argmin((clean - base)[gap])]
    part = lambda lo, hi: np.trapezoid((clean - base)[lo:hi + 1], t[lo:hi + 1])
    put("run", valley_min=t[cut], drop_p2_mau_min=part(int(np.searchsorted(t, 7.4)), cut),
        drop_p3_mau_min=part(cut, int(np.searchsorted(t, 9.6))))


def brackets():
    """A sample stands where the checks next to it, before and after, both pass."""
    for row in rows("bracketing_cases.csv"):
        tokens = row["sequence"].split()
        beside = lambda part: next((t for t in part if t not in "SN"), None)
        fallen = [k + 1 for k, t in enumerate(tokens)
                  if t in "SN" and (beside(tokens[k::-1]), beside(tokens[k:])) != ("P", "P")]
        want = [int(k) for k in row["invalid_positions_strict"].split()]
        same(f"brackets {row['case']}: samples that fall", int(fallen == want), 1)


# ------------------------------------------------------------------- what is listed against what was computed

# Made for tests, with nothing to compute: inputs alone.
INPUTS = {"areas_example.csv"}


def listed():
    for file in sorted(HERE.glob("*expected*.csv")):
        for row in rows(file.name):
            if row["id"] not in computed:
                differences.append(f"{file.name}: nothing here computes {row['id']}")
            elif "value_15_digits" in row:
                same(f"{row['id']}, 15 digits", computed[row["id"]], row["value_15_digits"], relative=1e-9)
            else:
                tol = {"absolute" if row["tol_kind"] == "abs" else "relative": row["tol"]}
                same(row["id"], computed[row["id"]], row["value"], **{k: Decimal(v) for k, v in tol.items()})
    for file in sorted(HERE.glob("*.csv")):
        if file.name not in looked_at | INPUTS:
            differences.append(f"{file.name}: nothing here looks at it")


def main():
    for part in (strd_linear, strd_univariate, strd_peaks, fluorescence, weighted, other_lines, bracketing, quantiles, trends, rates_of_change,
                 smoothing, noise, peaks, pairs, made_run, brackets, listed):
        part()
    if "--list" in sys.argv[1:]:
        for key, value in computed.items():
            print(key, f"{float(exact(value)):.15g}")
    for difference in differences:
        print(difference)
    print(f"{len(differences)} of {counted} values disagree" if differences else f"all {counted} values agree")
    return 1 if differences else 0


if __name__ == "__main__":
    sys.exit(main())
