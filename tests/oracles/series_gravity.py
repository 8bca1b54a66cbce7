#!/usr/bin/env python3
"""Turns one ferment of the open series into a file for `ebbmark replay`.

    python3 tests/oracles/series_gravity.py agave 1 > agave-1.csv
    python3 tests/oracles/series_gravity.py wine C_17L_A > wine.csv
    ebbmark replay agave-1.csv --original-gravity 1.047

The series give sugar and alcohol in g/L, not gravity. Gravity is reckoned by the rough linear
rule SG = 1 + 3.86e-4*S - 1.62e-4*E (S, E in g/L at 20 degrees C; slopes of handbook density
tables, good to about 0.001): enough to see whether the verdicts are sensible, no more.
Pitch is put at 2026-01-01T00:00:00Z. Standard library only.
"""
import csv
import datetime
import pathlib
import sys

SERIES = pathlib.Path(__file__).resolve().parents[2] / "daemon/core/tests/data/series"
ETHANOL_G_PER_PERCENT = 7.8924  # g/L at 1 % vol, 789.24 kg/m3


def rows(name):
    text = (SERIES / name).read_text().splitlines()
    return csv.DictReader(line for line in text if not line.startswith("#"))


def agave(replicate):
    for r in rows("agave_valle_2024_sugar_ethanol.csv"):
        if r["replicate"] == replicate:
            yield float(r["hour"]), float(r["total_sugar_g_l"]), float(r["ethanol_g_l"]), 28.0


def wine(ferment):
    for r in rows("wine_stellenbosch_2022_sugar.csv"):
        if r["ferment_id"] == ferment:
            ethanol = float(r["alcohol_pct_vol"]) * ETHANOL_G_PER_PERCENT
            yield 24 * float(r["day"]), float(r["total_sugar_g_l"]), ethanol, float(r["must_temp_c"])


def main():
    which = {"agave": agave, "wine": wine}
    if len(sys.argv) != 3 or sys.argv[1] not in which:
        sys.exit(__doc__)
    pitch = datetime.datetime(2026, 1, 1, tzinfo=datetime.timezone.utc)
    print("at,gravity,temperature")
    for hour, sugar, ethanol, temperature in which[sys.argv[1]](sys.argv[2]):
        at = pitch + datetime.timedelta(hours=hour)
        gravity = 1 + 3.86e-4 * sugar - 1.62e-4 * ethanol
        print(f"{at:%Y-%m-%dT%H:%M:%SZ},{gravity:.4f},{temperature:.1f}")


if __name__ == "__main__":
    main()
