"""The picture of a mead of a year, minute by minute: the daemon's PNG over HTTP beside the same picture
by matplotlib, which is given the hours in memory and only draws.

    python3 tests/cost/draw.py

Prints a table. `--keep FOLDER` keeps both pictures."""

import csv
import io
import pathlib
import shutil
import statistics
import sys
import tempfile
import time
from datetime import datetime

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt  # noqa: E402 - the back end first

from cellar import Daemon, fill  # noqa: E402

TIMES = 7


def hours_of(daemon):
    rows = list(csv.DictReader(io.StringIO(daemon.get("/vessel/1/hours.csv").decode())))
    number = lambda row, name: float(row[name]) if row.get(name) else float("nan")  # noqa: E731
    at = [datetime.fromisoformat(row["hour"].replace("Z", "+00:00")) for row in rows]
    names = ("gravity_sg", "gravity_low", "gravity_high", "temperature_celsius")
    return at, {name: [number(row, name) for row in rows] for name in names}


def drawn(at, columns, file):
    figure, (gravity, temperature) = plt.subplots(
        2, 1, sharex=True, figsize=(12.8, 10), dpi=100, gridspec_kw={"height_ratios": [3, 1]}
    )
    gravity.fill_between(at, columns["gravity_low"], columns["gravity_high"], alpha=0.3)
    gravity.plot(at, columns["gravity_sg"])
    gravity.set_ylabel("SG")
    temperature.plot(at, columns["temperature_celsius"])
    temperature.set_ylabel("°C")
    for axes in (gravity, temperature):
        axes.grid(True)
    figure.savefig(file, format="png")
    plt.close(figure)


def median_ms(draw):
    took = []
    draw()
    for _ in range(TIMES):
        began = time.monotonic()
        draw()
        took.append((time.monotonic() - began) * 1000)
    return statistics.median(took)


def main():
    folder = pathlib.Path(tempfile.mkdtemp(prefix="ebbmark-draw-", dir="/var/tmp"))
    try:
        fill(folder, 1, 365, 1)
        daemon = Daemon(folder)
        time.sleep(20)
        at, columns = hours_of(daemon)
        ours, size = daemon.page_ms("/vessel/1/curve.png?span=all", TIMES)
        page, weight = daemon.page_ms("/vessel/1?span=all", TIMES)
        theirs = io.BytesIO()

        def draw():
            theirs.seek(0)
            theirs.truncate()
            drawn(at, columns, theirs)

        other = median_ms(draw)
        print("| a year of minute readings, %d hours | ms | KB |\n|---|--:|--:|" % len(at))
        print(f"| the vessel's page with both curves, over HTTP | {page:.0f} | {weight / 1e3:.0f} |")
        print(f"| its picture, 1280 by 1000, read from the database, over HTTP | {ours:.0f} | {size / 1e3:.0f} |")
        print(
            f"| matplotlib {matplotlib.__version__}, the hours in memory, the same size "
            f"| {other:.0f} | {len(theirs.getvalue()) / 1e3:.0f} |"
        )
        print(f"\nmatplotlib takes {other / ours:.1f} times as long.")
        if "--keep" in sys.argv:
            keep = pathlib.Path(sys.argv[sys.argv.index("--keep") + 1])
            (keep / "ours.png").write_bytes(daemon.get("/vessel/1/curve.png?span=all"))
            (keep / "matplotlib.png").write_bytes(theirs.getvalue())
        daemon.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
