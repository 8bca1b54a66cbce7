#!/usr/bin/env python3
"""Strength, must and refractometer figures found by other means than the project's.

Writes daemon/core/tests/data/mixture/libraries.json, which daemon/core/tests/mixture.rs holds the
project to:

- density of water by iapws (IAPWS-95) and of ethanol in water by CoolProp (INCOMP::MEA);
- strength from two gravities by scipy.optimize.brentq, in the classical form of Balling's relation
  (shares by mass, not masses) with Tabarié's addition by volume;
- strength of a fed batch by scipy.optimize.fsolve on all masses at once;
- honey for a must, honey for sweetening and the way back from a refractometer by brentq on the
  volume or the mass, where the project solves linear balances or another unknown.

Coefficients are typed here anew from ICUMSA SPS-4 (1998), OIML R 22 (1975) and the CIPM formula.

Written with Python 3.11, scipy 1.17.1, CoolProp 8.0.0, iapws 1.5.5.

    python3 tests/oracles/mixture.py
"""

import json
import pathlib

import CoolProp
import CoolProp.CoolProp as cp
import iapws
import scipy
from scipy.optimize import brentq, fsolve

OUT = pathlib.Path(__file__).resolve().parents[2] / "daemon/core/tests/data/mixture/libraries.json"

A = [9.982012300e2, -1.929769495e2, 3.891238958e2, -1.668103923e3, 1.352215441e4, -8.829278388e4,
     3.062874042e5, -6.138381234e5, 7.470172998e5, -5.478461354e5, 2.234460334e5, -3.903285426e4]
B = [385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890]
ETHANOL = 789.24


def water(t):
    return 999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


W20 = water(20.0)


def sucrose(w):
    return W20 + sum(b * w ** (i + 1) for i, b in enumerate(B))


def spirit(p):
    """Density at 20 °C, moved onto the CIPM water so that nothing is left at p = 0."""
    return sum(a * p**k for k, a in enumerate(A)) - A[0] + W20


def of_sugar(c):
    """Density of the sucrose solution with c kg/m³."""
    w = brentq(lambda w: w * sucrose(w) - c, -0.1, 0.9, xtol=1e-15)
    return sucrose(w)


def of_alcohol(c):
    p = brentq(lambda p: p * spirit(p) - c, 0.0, 0.6, xtol=1e-15)
    return spirit(p)


def mixture(sugar, alcohol):
    return of_sugar(sugar) + of_alcohol(alcohol) - W20


def volume(water_kg, sugar, alcohol):
    mass = water_kg + sugar + alcohol
    return brentq(lambda v: v * mixture(sugar / v, alcohol / v) - mass, mass / 1500, mass / 900, xtol=1e-16)


def gravity(water_kg, sugar, alcohol):
    return (water_kg + sugar + alcohol) / volume(water_kg, sugar, alcohol) / W20


def extract(sg):
    return brentq(lambda w: sucrose(w) / W20 - sg, -0.1, 0.8, xtol=1e-15)


def strength(original, now):
    """Classical: alcohol a and real extract r as fractions of the mead's mass, rho known."""
    oe, rho = extract(original), now * W20

    def off(a):
        r = (oe * (1 + 1.0665 * a)) - 2.0665 * a
        return mixture(r * rho, a * rho) - rho

    a = brentq(off, 0.0, oe / (2.0665 - 1.0665 * oe), xtol=1e-15)
    return {"original": original, "now": now, "by-mass": 100 * a, "by-volume": 100 * a * rho / ETHANOL,
            "real-extract": 100 * (oe * (1 + 1.0665 * a) - 2.0665 * a)}


def fed(litres, original, honey, moisture, now):
    """Water, extract and ethanol of a batch fed with honey, all unknown at once."""
    oe, mass = extract(original), litres / 1000 * original * W20

    def off(v):
        w, x, e = v
        return [w - (mass * (1 - oe) + honey * moisture),
                x + 2.0665 * e - (mass * oe + honey * (1 - moisture)),
                1000 * (gravity(w, x, e) - now)]

    w, x, e = fsolve(off, [mass * (1 - oe), 0.3 * mass * oe, 0.4 * mass * oe], xtol=1e-13)
    return {"litres": litres, "original": original, "honey": honey, "moisture": 100 * moisture, "now": now,
            "litres-after": 1000 * volume(w, x, e), "by-volume": 100 * e / ETHANOL / volume(w, x, e)}


def must(litres, target, moisture):
    """Honey and water by trial of the honey, water filling up to the volume."""
    v = litres / 1000

    def full(honey):
        return brentq(lambda w: volume(w + honey * moisture, honey * (1 - moisture), 0.0) - v, 0.0, 2000 * v,
                      xtol=1e-13)

    def off(honey):
        w = full(honey)
        return gravity(w + honey * moisture, honey * (1 - moisture), 0.0) - target

    honey = brentq(off, 1e-3 * litres, 0.6 * litres, xtol=1e-13)
    return {"litres": litres, "gravity": target, "moisture": 100 * moisture, "honey": honey, "water": full(honey)}


def mead(litres, sg, vol):
    v, rho = litres / 1000, sg * W20
    e = vol / 100 * ETHANOL
    x = brentq(lambda c: mixture(c, e) - rho, -1e-6, 400.0, xtol=1e-13)
    return (rho - x - e) * v, x * v, e * v


def sweeten(litres, sg, vol, target, moisture):
    w, x, e = mead(litres, sg, vol)
    after = lambda h: (w + h * moisture, x + h * (1 - moisture), e)
    honey = brentq(lambda h: gravity(*after(h)) - target, 0.0, litres, xtol=1e-14)
    v = volume(*after(honey))
    return {"litres": litres, "gravity": sg, "strength": vol, "target": target, "moisture": 100 * moisture,
            "honey": honey, "litres-after": 1000 * v, "strength-after": 100 * e / ETHANOL / v}


def bent(rho, x, e):
    return rho / 1000 * ((1 - x - e) * 0.20606 + x * 0.20632 + e * 0.27754)


def refractometer(original, now):
    """What a sucrose scale reads in a must fermented so far."""
    s = strength(original, now)
    l = bent(now * W20, s["real-extract"] / 100, s["by-mass"] / 100)
    w = brentq(lambda w: bent(sucrose(w), w, 0.0) - l, 0.0, 0.7, xtol=1e-15)
    return {"original": original, "now": now, "reading": 100 * w, "by-volume": s["by-volume"]}


def main():
    temperatures = [1, 5, 10, 15, 20, 25, 30, 40]
    out = {
        "made-with": f"scipy {scipy.__version__}, CoolProp {CoolProp.__version__}, iapws {iapws.__version__}",
        "water": [{"t": t, "density": iapws.IAPWS95(T=t + 273.15, P=0.101325).rho} for t in temperatures],
        "ethanol": [{"mass": m, "t": t, "density": cp.PropsSI("D", "T", t + 273.15, "P", 101325, f"INCOMP::MEA[{m / 100}]")}
                    for m in (5, 10, 15, 20) for t in (5, 10, 15, 20, 25, 30)],
        "strength": [strength(o, n) for o, n in [(1.050, 1.010), (1.080, 1.000), (1.100, 1.000), (1.100, 1.010),
                                                 (1.120, 1.000), (1.120, 1.020), (1.140, 1.020), (1.095, 0.994)]],
        "fed": [fed(18.0, 1.060, 2.5, 0.172, 1.005), fed(20.0, 1.090, 1.0, 0.18, 1.012), fed(5.0, 1.070, 0.4, 0.16, 0.998)],
        "must": [must(20.0, 1.095, 0.172), must(5.0, 1.120, 0.16), must(100.0, 1.060, 0.20), must(4.0, 1.0794, 0.172)],
        "sweeten": [sweeten(10.0, 0.998, 12.0, 1.015, 0.172), sweeten(20.0, 1.002, 14.0, 1.025, 0.18),
                    sweeten(4.5, 0.994, 11.0, 1.008, 0.16)],
        "refractometer": [refractometer(o, n) for o, n in [(1.085, 1.040), (1.100, 1.010), (1.110, 0.998), (1.120, 1.030)]],
    }
    OUT.write_text(json.dumps(out, indent=1) + "\n")


main()
