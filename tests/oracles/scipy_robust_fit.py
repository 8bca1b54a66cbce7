#!/usr/bin/env python3
"""A robust four-parameter logistic through 5,700 readings, by scipy: the optimum and the time.

The outside check and the yardstick for daemon/core/benches/fit.rs. Both read the same file,
start at the same place and minimise the same function,

    0.5 * C^2 * sum(log(1 + (residual / C)^2)),   C = 0.0016.

Written with Python 3.11, numpy 2.4.6, scipy 1.17.1.

    python3 tests/oracles/scipy_robust_fit.py            time and optimum, as JSON
    python3 tests/oracles/scipy_robust_fit.py --write    make the series and the expected optimum again

Both sides with one line, from the root of the repository:

    python3 tests/oracles/scipy_robust_fit.py && cargo bench -p ebbmark-core --bench fit -- robust
"""

import json
import pathlib
import statistics
import sys
import time

import numpy as np
import scipy
from scipy.optimize import least_squares

DATA = pathlib.Path(__file__).resolve().parents[2] / "daemon/core/tests/data/robust"
SERIES = DATA / "logistic_5700.csv"
EXPECTED = DATA / "logistic_5700_scipy.json"
F_SCALE = 0.0016
# Final gravity, drop, rate per day, midpoint in days.
START = [1.000, 0.09, 0.2, 12.0]


def uniforms(seed):
    """A plain 64-bit linear congruential generator: the series never changes with a library."""
    state = seed
    while True:
        state = (state * 6364136223846793005 + 1442695040888963407) % 2**64
        yield (state >> 11) / 2**53


def make_series():
    """An invented vessel: a reading every 15 minutes, AR(1) noise, one reading in fifty a spike."""
    u = uniforms(20)
    noise = 0.0
    lines = ["days,gravity"]
    for i in range(5700):
        days = i / 96
        gravity = 1.004 + 0.101 / (1 + np.exp(0.31 * (days - 14.5)))
        noise = 0.6 * noise + 0.0008 * (sum(next(u) for _ in range(12)) - 6)
        spike = (0.06 * next(u) - 0.01) if next(u) < 0.02 else 0.0
        lines.append(f"{days:.5f},{gravity + noise + spike:.4f}")
    SERIES.write_text("\n".join(lines) + "\n")


def residuals(p, t, y):
    return p[0] + p[1] / (1 + np.exp(p[2] * (t - p[3]))) - y


def jacobian(p, t, y):
    s = 1 / (1 + np.exp(p[2] * (t - p[3])))
    slope = -p[1] * s * (1 - s)
    return np.column_stack([np.ones_like(t), s, slope * (t - p[3]), -slope * p[2]])


def solve(t, y, tight=False, **options):
    if tight:
        options |= dict(xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=1000)
    return least_squares(
        residuals, START, loss="cauchy", f_scale=F_SCALE, x_scale="jac", args=(t, y), **options
    )


def median_ms(run):
    times = []
    for _ in range(20):
        begin = time.perf_counter()
        run()
        times.append(1e3 * (time.perf_counter() - begin))
    return statistics.median(times)


def main():
    if "--write" in sys.argv:
        make_series()
    t, y = np.loadtxt(SERIES, delimiter=",", skiprows=1, unpack=True)
    best = solve(t, y, tight=True, jac=jacobian)
    expected = {
        "made_with": f"numpy {np.__version__}, scipy {scipy.__version__}",
        "f_scale": F_SCALE,
        "start": START,
        "final_gravity_drop_rate_midpoint": best.x.tolist(),
        "cost": best.cost,
    }
    if "--write" in sys.argv:
        EXPECTED.write_text(json.dumps(expected, indent=2) + "\n")
    for name, options in (("analytic", {"jac": jacobian}), ("2-point", {"jac": "2-point"})):
        found = solve(t, y, **options)
        expected[f"median_ms_of_20_{name}_jacobian"] = median_ms(lambda: solve(t, y, **options))
        expected[f"evaluations_{name}_jacobian"] = found.nfev
        expected[f"cost_{name}_jacobian"] = found.cost
    print(json.dumps(expected, indent=2))


if __name__ == "__main__":
    main()
