#!/usr/bin/env python3
"""Polynomials through pairs of tilt and gravity, by numpy: what daemon/core/tests/instrument/tilt.rs expects.

The pairs are invented: a float's curve, plus the errors of a hydrometer read to half a division. Each
pair left out in turn is foretold by a fit of the others, which is what the shortcut of the
least-squares projection must come to.

Written with Python 3.11, numpy 2.4.6.

    python3 tests/oracles/tilt_polyfit.py > daemon/core/tests/data/tilt/polyfit_numpy.json
"""

import json

import numpy as np

DEGREES = [25.3, 28.1, 33.7, 38.2, 44.9, 51.5, 57.0, 62.6, 68.4]
GRAVITY = [0.9985, 1.0040, 1.0165, 1.0280, 1.0455, 1.0610, 1.0730, 1.0830, 1.0915]


def fit(x, y, degree):
    """Fitted where powers are far apart, then written in powers of the angle itself."""
    return np.polynomial.Polynomial.fit(x, y, degree).convert(domain=[-1, 1]).coef


def evaluate(coefficients, x):
    return np.polynomial.polynomial.polyval(x, coefficients)


def main():
    x, y = np.array(DEGREES), np.array(GRAVITY)
    fits = []
    for degree in (1, 2, 3):
        c = fit(x, y, degree)
        # The plain solver agrees as far as its conditioning allows.
        assert np.allclose(c, np.polyfit(x, y, degree)[::-1], rtol=1e-8)
        residuals = y - evaluate(c, x)
        foretold = []
        for i in range(len(x)):
            rest = np.arange(len(x)) != i
            foretold.append(y[i] - evaluate(fit(x[rest], y[rest], degree), x[i]))
        fits.append({
            "coefficients": c.tolist(),
            "residual_sd": float(np.sqrt(np.sum(residuals**2) / (len(x) - degree - 1))),
            "foretold_sd": float(np.sqrt(np.mean(np.square(foretold)))),
        })
    print(json.dumps({"degrees": DEGREES, "gravity": GRAVITY, "fits": fits}, indent=1))


main()
