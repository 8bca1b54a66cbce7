"""Reference values for the plant: the same equations, integrated by scipy's LSODA.

These are not published figures. They check the fixed-step integrator in plant.rs against an
independent adaptive one, with the same constants (see plant.rs for where those come from).

    python3 plant_scipy.py > plant_scipy.json
"""

import json
import math

import scipy
from scipy.integrate import solve_ivp


def run(sugar, nitrogen_mg, celsius, pitch=0.2, days=60.0):
    mu_max = math.exp(-3.92 + 0.0782 * celsius)
    beta_max = math.exp(-2.30 + 0.0771 * celsius)
    death = math.exp(-9.81 - 0.108 * celsius + 0.00478 * celsius**2)
    y_xn = math.exp(3.50 - 0.00361 * nitrogen_mg)
    k_n, k_s, y_es = math.exp(-4.73), math.exp(2.33), math.exp(-0.598)

    def slope(_t, y):
        _x, xa, n, e, s = y
        n, s = max(n, 0.0), max(s, 0.0)
        mu = mu_max * n / (k_n + n)
        beta = beta_max * s / (k_s + s)
        return [
            mu * xa,
            mu * xa - death * e * xa,
            -mu * xa / y_xn,
            beta * xa,
            -beta * xa / y_es,
        ]

    def dry(_t, y):
        return y[4] - 2.0

    dry.terminal = False
    return solve_ivp(
        slope,
        (0.0, days * 24.0),
        [pitch, pitch, nitrogen_mg / 1000.0, 0.0, sugar],
        method="LSODA",
        rtol=1e-10,
        atol=1e-12,
        dense_output=True,
        events=dry,
    )


def main():
    points = []
    for celsius, nitrogen, sugar in [(20, 170, 265), (20, 80, 265), (35, 170, 265)]:
        found = run(sugar, nitrogen, celsius)
        for hours in (24, 48, 96, 144, 240):
            points.append(
                {
                    "celsius": celsius,
                    "nitrogen": nitrogen,
                    "sugar": sugar,
                    "hours": hours,
                    "left": round(float(found.sol(hours)[4]), 6),
                }
            )
    days = []
    for sugar, nitrogen in [
        (220, 80),
        (220, 170),
        (265, 80),
        (265, 170),
        (265, 330),
        (300, 80),
        (300, 170),
    ]:
        for celsius in (11, 15, 20, 25, 30, 35):
            found = run(sugar, nitrogen, celsius)
            crossed = found.t_events[0]
            row = {"celsius": celsius, "nitrogen": nitrogen, "sugar": sugar}
            if len(crossed):
                row["days_to_2_g"] = round(float(crossed[0]) / 24.0, 4)
            else:
                row["left_after_60_days"] = round(float(found.y[4][-1]), 4)
            days.append(row)
    print(
        json.dumps(
            {
                "what": "reference values computed with scipy LSODA from the same equations",
                "scipy": scipy.__version__,
                "points": points,
                "days": days,
            },
            indent=1,
        )
    )


if __name__ == "__main__":
    main()
