"""How long the daemon takes to its first page on a database of many readings, and what it holds then.

    python3 tests/cost/start.py [MILLIONS]           50 unless said otherwise

100 vessels, a reading a minute each. Ended by the book first, then killed."""

import os
import pathlib
import shutil
import signal
import sys
import tempfile
import time

from cellar import Daemon, fill, size

VESSELS = 100


def main():
    millions = float(sys.argv[1]) if len(sys.argv) > 1 else 50.0
    days = millions * 1e6 / VESSELS / 1440
    folder = pathlib.Path(tempfile.mkdtemp(prefix="ebbmark-start-", dir="/var/tmp"))
    try:
        took = fill(folder, VESSELS, days, 1)
        print(f"{millions:g} million readings of {VESSELS} vessels over {days:.0f} days, {size(folder) / 1e6:,.0f} MB; "
              f"filling took {took:.0f} s.\n")
        print("| start | s to the first page | MB then | MB after two minutes | ms: page of the cellar; of a vessel, all of it |")
        print("|---|--:|--:|--:|--:|", flush=True)
        for what in ("the first", "after an end by the book", "after a kill"):
            daemon = Daemon(folder)
            then = daemon.memory_mb()
            time.sleep(120)
            cellar, vessel = daemon.page_ms("/"), daemon.page_ms("/vessel/1?span=all")
            print(f"| {what} | {daemon.started_in:.2f} | {then:.0f} | {daemon.memory_mb():.0f} "
                  f"| {cellar[0]:.0f}; {vessel[0]:.0f} |", flush=True)
            if what == "after an end by the book":
                os.kill(daemon.pid, signal.SIGKILL)
                daemon.process.wait()
            else:
                daemon.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
