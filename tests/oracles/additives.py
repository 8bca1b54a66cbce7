#!/usr/bin/env python3
"""Sulphite, sorbate and acids by general libraries: what daemon/core/tests/additives.rs expects.

Molar masses by periodictable; the two published tables between their lines by scipy's interpolator;
free sulphur dioxide for a molecular target by solving both dissociations, the second of which our
formula leaves out (pKa2 7.2, from memory: it only has to show that it does not matter).

Written with Python 3.11, numpy 2.4.6, scipy 1.17.1, periodictable 2.1.0.

    python3 tests/oracles/additives.py > daemon/core/tests/data/additives/libraries.json
"""

import json

import numpy as np
import periodictable
from scipy.interpolate import RegularGridInterpolator
from scipy.optimize import brentq

FORMULAS = {
    "nitrogen": "N",
    "water": "H2O",
    "carbon dioxide": "CO2",
    "ethanol": "C2H6O",
    "hexose": "C6H12O6",
    "sucrose": "C12H22O11",
    "glucose monohydrate": "C6H14O7",
    "sulphur dioxide": "SO2",
    "potassium metabisulphite": "K2S2O5",
    "sodium metabisulphite": "Na2S2O5",
    "sorbic acid": "C6H8O2",
    "potassium sorbate": "C6H7KO2",
    "diammonium phosphate": "(NH4)2HPO4",
    "tartaric acid": "C4H6O6",
    "malic acid": "C4H6O5",
    "citric acid": "C6H8O7",
    "citric acid monohydrate": "C6H10O8",
    "lactic acid": "C3H6O3",
    "acetic acid": "C2H4O2",
    "sulphuric acid": "H2SO4",
    "potassium bicarbonate": "KHCO3",
    "potassium carbonate": "K2CO3",
    "calcium carbonate": "CaCO3",
}

# OIV-MA-AS323-04C, Table I.
PK = RegularGridInterpolator(
    ([0, 5, 10, 15], [20, 25, 30, 35, 40]),
    np.array([
        [1.798, 2.000, 2.219, 2.334, 2.493],
        [1.897, 2.098, 2.299, 2.397, 2.527],
        [1.997, 2.198, 2.394, 2.488, 2.606],
        [2.099, 2.301, 2.503, 2.607, 2.728],
    ]),
)

# T. Underhill, Making Better Wines: mL of 30 g/L potassium sorbate for a litre.
SORBATE = RegularGridInterpolator(
    ([10, 11, 12, 13, 14], [3.1, 3.2, 3.3, 3.4, 3.5]),
    np.array([
        [5.5, 6.0, 7.0, 8.0, 9.0],
        [4.5, 5.0, 6.0, 7.0, 7.5],
        [3.2, 3.5, 4.0, 4.5, 5.0],
        [2.6, 3.0, 3.2, 3.5, 4.0],
        [2.0, 2.2, 2.4, 2.7, 3.0],
    ]),
)


def molecular(free, ph, pk1=1.81, pk2=7.2):
    h = 10.0**-ph
    k1, k2 = 10.0**-pk1, 10.0**-pk2
    return free / (1 + k1 / h + k1 * k2 / h**2)


def free_for(target, ph):
    return brentq(lambda free: molecular(free, ph) - target, 0, 1e4, xtol=1e-12)


def main():
    rng = np.random.default_rng(4)
    strengths = rng.uniform(0, 15, 12)
    temperatures = rng.uniform(20, 40, 12)
    wines = rng.uniform(10, 14, 12)
    phs = rng.uniform(3.1, 3.5, 12)
    print(json.dumps({
        "molar": {name: periodictable.formula(f).mass for name, f in FORMULAS.items()},
        "pk": [[a, t, float(PK((a, t)))] for a, t in zip(strengths, temperatures)],
        "sorbate_ml": [[a, p, float(SORBATE((a, p)))] for a, p in zip(wines, phs)],
        "free": [[m, p, free_for(m, p)] for m in (0.5, 0.8, 1.5) for p in (2.9, 3.2, 3.5, 3.8, 4.0)],
    }, indent=1))


if __name__ == "__main__":
    main()
