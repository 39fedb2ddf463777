"""Size of the report page, words seen before anything is opened, and the time that writing it takes.

    PYTHONPATH=. python tests/benchmarks/report_page.py [case ...]

Of each case under `cases/` (default: all). Not run by pytest; the table is kept in `report_page.md`.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from margin.case import load_case
from margin.estimates.error_map import error_map
from margin.estimates.evaluate import evaluate
from margin.estimates.what_if import what_if_payload
from margin.report.files import report_contents
from tests.visible_words import visible_words

CASES = Path(__file__).parents[2] / "cases"


def main(names: list[str]) -> None:
    """One line a case."""
    print("| case | options | page, MB | of it 'what if', MB | words seen | map, s | page and files, s |")
    print("|---|---|---|---|---|---|---|")
    for name in names or sorted(path.parent.name for path in CASES.glob("*/case.toml")):
        results = evaluate(load_case(CASES / name / "case.toml"), workers=1)
        payload = what_if_payload(results)
        start = time.process_time()
        found = error_map(results.case, results.focus.name)
        mapped = time.process_time()
        page = report_contents(results, payload, error_map=found)["report.html"]
        written = time.process_time()
        moved = page[page.index('<script type="application/json"') :].split("</script>")[0] if payload else ""
        print(
            f"| {name} | {len(results.options)} | {len(page.encode()) / 1e6:.2f} | {len(moved) / 1e6:.2f} | "
            f"{len(visible_words(page))} | {mapped - start:.2f} | {written - mapped:.1f} |"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
