#!/usr/bin/env python3
"""Carbon dioxide, water and air from general libraries.

Writes the CSV files in daemon/core/tests/data/gas, which daemon/core/tests/gas.rs holds the
project's own formulas to:

    real_gas.csv     fugacity coefficient and density of carbon dioxide (CoolProp, Span & Wagner 1996)
    water.csv        vapour pressure and density of water at 1 atm (iapws, IAPWS-95)
    henry.csv        Henry's constant of carbon dioxide in water (iapws, IAPWS G7-04)
    atmosphere.csv   pressure by height (fluids, US Standard Atmosphere 1976)
    room.csv         a mixed room by numerical integration (scipy, solve_ivp)
    units.csv        pasteurisation units of a trace by numerical integration (scipy, quad)

Prints the quadratic fitted to the second virial coefficient, as it stands in gas/solubility.rs.

Written with Python 3.11.7, CoolProp 8.0.0, iapws 1.5.5, fluids 1.3.1, scipy 1.17.1.

    python3 tests/oracles/carbon_dioxide.py
"""

import csv
import pathlib

import CoolProp.CoolProp as CP
import numpy as np
from fluids.atmosphere import ATMOSPHERE_1976
from iapws import IAPWS95
from iapws._iapws import _Henry
from scipy.integrate import quad, solve_ivp

DATA = pathlib.Path(__file__).resolve().parents[2] / "daemon/core/tests/data/gas"
KELVIN = 273.15


def write(name, head, rows):
    with open(DATA / name, "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(head)
        out.writerows([f"{v:.8g}" for v in row] for row in rows)


def virial():
    t = np.linspace(273.15, 363.15, 91)
    b = [CP.PropsSI("Bvirial", "T", k, "D", 1e-9, "CO2") * 1e6 for k in t]
    u = 298.15 / t - 1
    fit = np.linalg.lstsq(np.stack([np.ones_like(u), u, u * u], 1), b, rcond=None)[0]
    print("second virial coefficient, cm3/mol:", fit)


def real_gas():
    state = CP.AbstractState("HEOS", "CO2")
    for t in (0, 5, 12, 20, 30, 40, 65, 80):
        for bar in (0.5, 1, 2, 4, 6, 8, 10):
            state.update(CP.PT_INPUTS, bar * 1e5, t + KELVIN)
            yield t, bar, state.fugacity_coefficient(0), state.rhomass()


def water():
    for t in (1, 5, 10, 20, 30, 40, 50, 60, 65, 70, 80, 95):
        vapour = IAPWS95(T=t + KELVIN, x=0).P * 10
        yield t, vapour, IAPWS95(T=t + KELVIN, P=0.101325).rho


def henry():
    for t in (2, 5, 10, 15, 20, 25, 30, 40, 50, 65, 80):
        yield t, _Henry(t + KELVIN, "CO2") * 10


def atmosphere():
    for metres in (0, 250, 500, 1000, 1600, 2500, 3500, 5000):
        yield metres, ATMOSPHERE_1976(metres).P / 1e5


def room():
    for volume, changes, outside, grams, first in (
        (30, 0.3, 420, 83.3, 420),
        (60, 0.3, 420, 416.7, 420),
        (60, 3, 420, 416.7, 8000),
        (500, 0, 420, 900, 420),
    ):
        fed = 1e6 * grams / 1000 / 1.839 / volume
        ran = solve_ivp(
            lambda _, c: fed - changes * (c - outside),
            (0, 48),
            [first],
            t_eval=[0.25, 1, 6, 24, 48],
            method="DOP853",
            rtol=1e-12,
            atol=1e-9,
        )
        for hours, ppm in zip(ran.t, ran.y[0]):
            yield volume, changes, outside, grams, first, hours, ppm


def units():
    minutes = [0, 5, 12, 20, 30, 35, 50]
    heat = [20, 48, 58, 63.5, 63.5, 60, 25]
    for name, a_degree in (("del-vecchio", np.log(1.393)), ("z-seven", np.log(10) / 7)):

        def rate(m):
            t = np.interp(m, minutes, heat)
            return np.exp(a_degree * (t - 60)) if t >= 50 else 0.0

        # Broken where the line bends and where it passes 50 degrees.
        bends = sorted(minutes + [5 + 7 * 2 / 10, 35 + 15 * 10 / 35])
        total = sum(quad(rate, a, b, epsabs=1e-13, epsrel=1e-12)[0] for a, b in zip(bends, bends[1:]))
        yield (0 if name == "del-vecchio" else 1), total


def main():
    DATA.mkdir(exist_ok=True)
    virial()
    write("real_gas.csv", ["celsius", "bar", "fugacity_coefficient", "kg_per_m3"], real_gas())
    write("water.csv", ["celsius", "vapour_bar", "kg_per_m3"], water())
    write("henry.csv", ["celsius", "bar"], henry())
    write("atmosphere.csv", ["metres", "bar"], atmosphere())
    write("room.csv", ["m3", "changes_h", "outside_ppm", "g_h", "first_ppm", "hours", "ppm"], room())
    write("units.csv", ["z_seven", "units"], units())


if __name__ == "__main__":
    main()
