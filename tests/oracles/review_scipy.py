#!/usr/bin/env python3
"""Reviews of the open series, and a cellar's band, reckoned with numpy and scipy alone.

Writes daemon/core/tests/data/series/review_scipy.json, which daemon/core/tests/review.rs holds the
project's own reviews to. The definitions are those at the head of daemon/core/src/review/mod.rs;
the means are scipy.optimize.isotonic_regression, numpy.interp, numpy.polyfit and numpy.quantile.

Every reading is a hand reading here, so nothing is put right. Gravity is reckoned by
SG = 1 + 3.86e-4*S - 1.62e-4*E (S, E in g/L), as in series_gravity.py.

Written with Python 3.11, numpy 2.4.6, scipy 1.17.1.

    python3 tests/oracles/review_scipy.py
"""

import json
import pathlib
import sys

import numpy as np
import scipy
from scipy.optimize import isotonic_regression

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from series_gravity import agave, wine  # noqa: E402

OUT = pathlib.Path(__file__).resolve().parents[2] / "daemon/core/tests/data/series/review_scipy.json"


def without_spikes(t, g):
    out = g.copy()
    for i in range(2, len(g) - 2):
        if t[i + 2] - t[i - 2] <= 0.5:
            out[i] = np.median(g[i - 2 : i + 3])
    return out


def crossing(t, smooth, y):
    """The first time a rising curve comes to y."""
    after = int(np.argmax(smooth >= y))
    if smooth[after] < y:
        return None
    if after == 0:
        return float(t[0])
    return float(np.interp(y, smooth[after - 1 : after + 1], t[after - 1 : after + 1]))


def slope(t, fallen, day, half):
    near = np.abs(t - day) <= half
    if near.sum() < 5:
        near = np.zeros(len(t), dtype=bool)
        near[np.argsort(np.abs(t - day), kind="stable")[:5]] = True
    n = near.sum()
    degree = 3 if n >= 5 else 2 if n == 4 else 1
    return float(np.polyfit(t[near] - day, fallen[near], degree)[-2])


def review(t, g):
    clean = without_spikes(t, g)
    fallen = np.median(g[t < t[0] + 0.25]) - clean
    smooth = isotonic_regression(fallen).x
    fall = float(np.median(smooth[t >= t[-1] - 1]))
    at = lambda share: crossing(t, smooth, share * fall)
    quickest = min(at(i / 100 + 0.4) - at(i / 100) for i in range(60))
    half = max(0.4 * quickest, 0.5)
    speeds = [slope(t, fallen, day, half) for day in np.linspace(at(0.05), at(0.95), 201)]
    return {
        "fall": fall,
        "lag": crossing(t, smooth, max(0.02 * fall, 0.002)),
        "half": at(0.5),
        "ninety": at(0.9),
        "ninety_nine": at(0.99),
        "steepest": max(speeds),
        "hundredths": [at(share / 100) for share in range(1, 100)],
    }


def main():
    out = {"made_with": f"numpy {np.__version__}, scipy {scipy.__version__}", "series": []}
    names = [("agave", r) for r in ("1", "2", "3")]
    names += [("wine", f"{c}_17L_{r}") for c in "CS" for r in "ABC"]
    for kind, name in names:
        rows = {"agave": agave, "wine": wine}[kind](name)
        rows = [(h / 24, 1 + 3.86e-4 * s - 1.62e-4 * e) for h, s, e, _ in rows]
        t, g = (np.array(column) for column in zip(*rows))
        entry = review(t, g)
        print(name, {k: round(v, 5) for k, v in entry.items() if k != "hundredths"})
        out["series"].append({"name": name, "days": t.tolist(), "gravity": g.tolist()} | entry)
    # The six wines as one cellar: how much of its sugar each had used by a day.
    wines = [e["hundredths"] for e in out["series"] if "_" in e["name"]]
    shares = np.arange(1, 100) / 100
    days = [2.0, 3.0, 4.0, 5.0]
    used = np.array([[np.interp(d, w, shares) for d in days] for w in wines])
    band = np.quantile(used, [0.1, 0.5, 0.9], axis=0)
    out["band"] = {"days": days, "low": band[0].tolist(), "middle": band[1].tolist(), "high": band[2].tolist()}
    OUT.write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
