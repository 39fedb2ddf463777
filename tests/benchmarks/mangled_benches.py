"""300 damaged bench files: how many are read, refused in one message, end in a traceback or take too long.

    PYTHONPATH=.:tests python tests/benchmarks/mangled_benches.py

prints the table that is kept in mangled_benches.md. The files are made from a fixed seed and read in this process.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from pathlib import Path

from mangled import lab_variants, outcome, service_outcome, service_variants, variants

LIMIT_S = 60.0
"""Processor time of one file above which it counts as timed out: a sound one of this size takes about 1 s."""


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=300)
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    own = asked.files * 4 // 5
    table: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        files = [*variants(own, asked.seed), *lab_variants(folder, asked.files - own, asked.seed + 1)]
        for number, (name, suffix, data) in enumerate(files):
            path = folder / f"mangled{number}{suffix}"
            path.write_bytes(data)
            start = time.process_time()
            found = outcome(path, condense=number % 5 == 4)
            kind = found.kind if time.process_time() - start < LIMIT_S else "timed out"
            table.setdefault(name, Counter())[kind] += 1
            if kind in ("traceback", "timed out"):
                print(f"{name}: {found.message}")
        for number, (holds, name, data) in enumerate(service_variants(asked.files, asked.seed + 2)):
            path = folder / f"service{number}.csv"
            path.write_bytes(data)
            found = service_outcome(path, holds)
            table.setdefault(f"{holds}: {name}", Counter())[found.kind] += 1
            if found.kind == "traceback":
                print(f"{holds}: {name}: {found.message}")
    kinds = ("read", "refused", "traceback", "timed out")
    print(f"| damage | {' | '.join(kinds)} |\n|---|{'---|' * len(kinds)}")
    for name, counts in table.items():
        print(f"| {name} | {' | '.join(str(counts[kind]) for kind in kinds)} |")
    total = sum(table.values(), Counter[str]())
    print(f"| all {total.total()} | {' | '.join(str(total[kind]) for kind in kinds)} |")


if __name__ == "__main__":
    main()
