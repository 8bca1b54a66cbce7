"""Memory and CPU of the built daemon, idle and with a reading a minute from each float, against the
number of vessels and against the days of history.

    python3 tests/cost/scale.py [SECONDS] [VESSELS:DAYS:MINUTES ...]

Each line is one cellar, measured for SECONDS (180) after a minute of warming up. Prints a table."""

import pathlib
import shutil
import sys
import tempfile
import time

from cellar import Daemon, Floats, fill, size

USUAL = ["0:1:15", "50:10:15", "500:10:15", "5000:10:15", "50:60:15", "50:360:15"]
WARM_UP = 60


def cpu_share(daemon, seconds):
    cpu, began = daemon.cpu_seconds(), time.monotonic()
    time.sleep(seconds)
    return 100 * (daemon.cpu_seconds() - cpu) / (time.monotonic() - began)


def measure(vessels, days, minutes, seconds):
    folder = pathlib.Path(tempfile.mkdtemp(prefix="ebbmark-scale-", dir="/var/tmp"))
    try:
        fill(folder, vessels, days, minutes)
        at_rest = size(folder) / 1e6
        daemon = Daemon(folder)
        start = daemon.started_in
        time.sleep(WARM_UP)
        idle = cpu_share(daemon, min(seconds, 120))
        idle_memory = daemon.memory_mb()
        if vessels == 0:
            print(f"| 0 | | {at_rest:.1f} | {start:.2f} | {idle_memory:.0f} | {idle:.2f} | | | | | |", flush=True)
            daemon.stop()
            return
        floats = Floats(daemon.intake, vessels)
        time.sleep(WARM_UP)
        written = daemon.written()
        busy = cpu_share(daemon, seconds)
        written = daemon.written() - written
        median, worst = floats.acknowledged_ms()
        cellar, vessel = daemon.page_ms("/"), daemon.page_ms("/vessel/1?span=all")
        floats.stop()
        print(
            f"| {vessels:,} | {days:g} | {at_rest:,.1f} | {start:.2f} | {idle_memory:.0f} | {idle:.2f} "
            f"| {daemon.peak_mb():.0f} | {busy:.2f} | {median:.1f}; {worst:.1f} "
            f"| {cellar[0]:.0f}; {vessel[0]:.0f} | {written * 86_400 / seconds / 1e6:,.0f} |",
            flush=True,
        )
        daemon.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def main():
    words = sys.argv[1:]
    seconds = int(words.pop(0)) if words and words[0].isdigit() else 180
    print(
        "| vessels | days of readings, every 15 min | MB at rest | s to the first page | MB idle | % CPU idle "
        "| MB at most, a reading a minute each | % CPU | ms to the acknowledgement: median; 99th percentile "
        "| ms: page of the cellar; of a vessel, all of it | MB written a day |"
    )
    print("|" + "--:|" * 11, flush=True)
    for case in words or USUAL:
        vessels, days, minutes = case.split(":")
        measure(int(vessels), float(days), int(minutes), seconds)


if __name__ == "__main__":
    main()
