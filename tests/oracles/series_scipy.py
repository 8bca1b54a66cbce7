#!/usr/bin/env python3
"""Unweighted least-squares optima of three curve families on measured fermentations.

Writes daemon/core/tests/data/series/optima_scipy.json, which daemon/core/tests/series.rs holds
the project's own solver to. The curves are the textbook ones (upper asymptote, no anchoring at
t = 0); each optimum is the best of many starts of scipy.optimize.least_squares (trf, bounded
positive where the parameter is), polished with tolerances of 1e-15.

Written with Python 3.11, numpy 2.4.6, scipy 1.17.1.

    python3 tests/oracles/series_scipy.py
"""

import csv
import itertools
import json
import pathlib

import numpy as np
import scipy
from scipy.optimize import least_squares

DATA = pathlib.Path(__file__).resolve().parents[2] / "daemon/core/tests/data/series"
AGAVE = "agave_valle_2024_sugar_ethanol.csv"
WINE = "wine_stellenbosch_2022_sugar.csv"


def rows(name):
    with open(DATA / name, newline="") as file:
        yield from csv.DictReader(line for line in file if not line.startswith("#"))


def series():
    agave = list(rows(AGAVE))
    for replicate in ("1", "2", "3"):
        mine = [r for r in agave if r["replicate"] == replicate]
        yield (
            f"agave {replicate}",
            [float(r["hour"]) / 24 for r in mine],
            [float(r["total_sugar_g_l"]) for r in mine],
        )
    wine = list(rows(WINE))
    for ferment in ("C_17L_A", "C_Fresh_A", "C_Frozen_A", "S_17L_A"):
        # Day 11 is left out: a rise in every vessel, an artefact of pressing (see the file's head).
        mine = [r for r in wine if r["ferment_id"] == ferment and float(r["day"]) < 11]
        yield (
            ferment,
            [float(r["day"]) for r in mine],
            [float(r["total_sugar_g_l"]) for r in mine],
        )


def logistic(p, t):
    last, drop, rate, mid = p
    return last + drop / (1 + np.exp(np.clip(rate * (t - mid), -500, 500)))


def asymmetric(p, t):
    last, drop, rate, mid, s = p
    return last + drop * np.exp(-np.log1p(s * np.exp(np.clip(rate * (t - mid), -500, 500))) / s)


def gompertz(p, t):
    last, drop, mu, lag = p
    inner = np.exp(np.clip(mu * np.e / drop * (lag - t) + 1, -500, 500))
    return last + drop - drop * np.exp(-inner)


def starts(family, t, y):
    last, drop = min(y), max(y) - min(y)
    for rate, when in itertools.product((0.3, 1.0, 3.0, 6.0), (0.1, 0.25, 0.4)):
        when = when * max(t)
        if family == "gompertz":
            yield [last, drop, rate * drop / np.e, when]
        elif family == "logistic":
            yield [last, drop, rate, when]
        else:
            for s in (0.1, 0.5, 1.0, 3.0):
                yield [last, drop, rate, when, s]


def best(family, curve, t, y):
    n = 5 if family == "asymmetric" else 4
    lower = [-np.inf, 1e-6, 1e-6, -np.inf] + ([1e-4] if n == 5 else [])
    tight = dict(xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale="jac", max_nfev=5000)
    found = None
    for start in starts(family, t, y):
        fit = least_squares(
            lambda p: curve(p, t) - y, start, jac="3-point", bounds=(lower, [np.inf] * n), **tight
        )
        if found is None or fit.cost < found.cost:
            found = fit
    return found


def main():
    families = {"logistic": logistic, "asymmetric": asymmetric, "gompertz": gompertz}
    out = {"made_with": f"numpy {np.__version__}, scipy {scipy.__version__}", "series": []}
    for name, t, y in series():
        t, y = np.array(t), np.array(y)
        entry = {"name": name, "days": t.tolist(), "g_per_l": y.tolist()}
        for family, curve in families.items():
            fit = best(family, curve, t, y)
            sd = float(np.sqrt(2 * fit.cost / (len(t) - len(fit.x))))
            entry[family] = {"params": fit.x.tolist(), "sum_of_squares": 2 * fit.cost, "residual_sd": sd}
            print(f"{name:12} n={len(t)} {family:11} sd {sd:.4f}  {np.array2string(fit.x, precision=6)}")
        out["series"].append(entry)
    (DATA / "optima_scipy.json").write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
