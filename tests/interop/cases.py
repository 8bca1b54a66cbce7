"""Runs the cases of cases.tsv and compares what comes of each with what stands there."""

import csv
import pathlib
import subprocess
import sys

LONGEST = 120  # seconds; only a fault takes this long

folder = pathlib.Path(sys.argv[1])
wanted = set(sys.argv[2:])
with open(pathlib.Path(__file__).with_name("cases.tsv"), newline="") as file:
    listed = {row["case"]: row for row in csv.DictReader(file, delimiter="\t")}

unlisted = {path.stem for path in folder.glob("[0-9][0-9]-*.py")} - set(listed)
wrong = [f"{case}: not in cases.tsv" for case in sorted(unlisted)]
counts = {}
for case, row in listed.items():
    if wanted and case not in wanted:
        continue
    outcome = row["outcome"]
    if outcome != "not ours" or case in wanted:
        try:
            ran = subprocess.run(
                [sys.executable, f"{case}.py"], cwd=folder, capture_output=True, text=True, timeout=LONGEST
            )
            came = "passes" if ran.returncode == 0 else "refused"
            said = (ran.stdout + ran.stderr).strip()
        except subprocess.TimeoutExpired:
            came, said = "refused", "not within its time"
        print(f"{case}: {came}", flush=True)
        if came != outcome:
            wrong.append(f"{case}: {came}, where {outcome} is expected\n{said}")
    counts[outcome] = counts.get(outcome, 0) + 1

print(", ".join(f"{n} {outcome}" for outcome, n in counts.items()))
if wrong:
    sys.exit("\n".join(wrong))
