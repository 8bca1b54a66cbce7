"""COST.md from the tables of the parts."""

import datetime
import os
import pathlib
import platform
import sys

PARTS = {
    "commits": "Messages committed, beside a bare loop that inserts a payload and a reading with the same pragmas",
    "fits": "A robust fit beside scipy",
    "drawing": "A picture beside matplotlib",
    "verdicts": "Verdicts",
    "pages": "Pages, without the network",
    "scale": "Memory and CPU against vessels and history",
    "start": "Start on many readings",
    "soak": "72 hours, compressed in time",
}


def processor():
    for line in pathlib.Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith("model name"):
            return line.split(":", 1)[1].strip()
    return platform.machine()


def main():
    out = pathlib.Path(sys.argv[1])
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    print("# What it costs\n")
    print("The tables are made by `tests/cost/run`; a remark under one says how busy the machine was. Figures of other")
    print("machines are other figures: what holds elsewhere are the ratios of what was measured side by side.\n")
    print(f"{os.cpu_count()} cores of {processor()}, {memory:.0f} GiB, {platform.system()} {platform.release()}; "
          f"last part on {datetime.date.today()}.")
    for part, heading in PARTS.items():
        table = out / f"{part}.md"
        if table.is_file():
            print(f"\n## {heading}\n\n{table.read_text().strip()}")


if __name__ == "__main__":
    main()
