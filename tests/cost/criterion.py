"""Medians that criterion kept, as a table.

    python3 tests/cost/criterion.py target/criterion [--each N] NAME…

`--each N`: one iteration is so many messages; how many a second is told."""

import json
import pathlib
import sys


def main():
    folder, *names = sys.argv[1:]
    each = None
    if names[:1] == ["--each"]:
        each, names = int(names[1]), names[2:]
    print("| what | median | |\n|---|--:|--:|")
    for name in names:
        # Criterion puts "_" where a name would not do for a folder.
        place = pathlib.Path(folder, *(part.replace("?", "_") for part in name.split("/")))
        estimates = json.loads((place / "new/estimates.json").read_text())
        ns = estimates["median"]["point_estimate"]
        rate = f"{each / ns * 1e9:,.0f} a second" if each else ""
        took = f"{ns / 1e9:.2f} s" if ns >= 1e9 else f"{ns / 1e6:.2f} ms"
        print(f"| {name} | {took} | {rate} |")


if __name__ == "__main__":
    main()
