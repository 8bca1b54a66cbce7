"""72 hours of a cellar, its time going faster (see faster.c): the built daemon, 50 floats with a reading a
minute of its time, somebody who looks at the pages. What must not grow is told every few hours.

    python3 tests/cost/soak.py [HOURS] [SPEED] [FLOATS]        72 96 50 unless said otherwise

Ends with 1 when a message was not acknowledged, a reading is missing in the database or the daemon ended.
The figures are printed, not judged: the table in COST.md says what they were."""

import pathlib
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time

from cellar import Daemon, Floats, fill

PAGES = ["/", "/vessel/1", "/vessel/2?span=all", "/feeds", "/notices", "/metrics", "/archive"]


def faster(folder):
    """The library that makes time go faster, built."""
    built = folder / "faster.so"
    source = pathlib.Path(__file__).with_name("faster.c")
    subprocess.run(["cc", "-O2", "-Wall", "-Wextra", "-shared", "-fPIC", "-o", built, source], check=True)
    return built


def main():
    words = [float(word) for word in sys.argv[1:]]
    hours, speed, floats = words + [72, 96, 50][len(words) :]
    floats = int(floats)
    folder = pathlib.Path(tempfile.mkdtemp(prefix="ebbmark-soak-", dir="/var/tmp"))
    try:
        fill(folder, floats, 10, 15)
        wrapper = ["env", f"LD_PRELOAD={faster(folder)}", f"FASTER={speed:g}"]
        daemon = Daemon(folder, wrapper=wrapper)
        sent = Floats(daemon.intake, floats, every=60 / speed)
        print("| hours | messages acknowledged | MB | MB at most | open files | % CPU | log of changes, MB | database, MB |")
        print("|" + "--:|" * 8, flush=True)
        began = told = time.monotonic()
        cpu, step = daemon.cpu_seconds(), max(1.0, hours / 12)
        while (time.monotonic() - began) * speed / 3600 < hours:
            for page in PAGES:
                daemon.get(page)
            time.sleep(min(5.0, 3600 * step / speed / 4))
            if (time.monotonic() - told) * speed / 3600 >= step:
                spent = daemon.cpu_seconds() - cpu
                files = {f.name: f.stat().st_size / 1e6 for f in folder.glob("ebbmark.sqlite3*")}
                print(
                    f"| {(time.monotonic() - began) * speed / 3600:.0f} | {len(sent.took):,} "
                    f"| {daemon.memory_mb():.0f} | {daemon.peak_mb():.0f} | {daemon.open_files()} "
                    f"| {100 * spent / (time.monotonic() - told):.0f} "
                    f"| {files.get('ebbmark.sqlite3-wal', 0):.1f} | {files['ebbmark.sqlite3']:.1f} |",
                    flush=True,
                )
                told, cpu = time.monotonic(), daemon.cpu_seconds()
        sent.stop()
        acknowledged = len(sent.took)
        time.sleep(1)
        metrics = daemon.get("/metrics").decode().splitlines()
        stored = sum(
            float(line.rsplit(" ", 1)[1])
            for line in metrics
            if line.startswith("ebbmark_readings_total{") and 'source="intake"' in line
        )
        daemon.stop()
        with sqlite3.connect(folder / "ebbmark.sqlite3") as database:
            sound = database.execute("PRAGMA integrity_check").fetchone()[0]
        print(f"\n{acknowledged:,} acknowledged, {stored:,.0f} readings counted, integrity {sound}.")
        if stored != acknowledged or sound != "ok":
            raise SystemExit(1)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
