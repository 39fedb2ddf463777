"""Time of whole commands on the gripper case: `python tests/benchmarks/engine.py [--turns 2] [--root CHECKOUT ...]`.

Each command runs as a process of its own; wall and processor time, the best of several turns, after one that leaves
its kernel behind (`first` is that one, compilation included, with an empty cache). With several checkouts the turns
alternate, so that what else the machine does falls on all. Not run by pytest. The kept table: `engine.md`.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HOME = Path(__file__).parents[2]
CASE = "cases/gripper_amplifier/case.toml"
OPTION = "five points, 3 reloads, thermometer"
COMMANDS = {
    "estimate": ["estimate", CASE, "--quiet"],
    "budget": ["budget", CASE, "--quiet"],
    "rare": ["rare", CASE, "--option", OPTION, "--quiet"],
}


def timed(root: Path, command: list[str], cache: Path) -> tuple[float, float]:
    """Wall and processor seconds of a command of one checkout."""
    with tempfile.TemporaryDirectory() as out:
        before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "margin", *command, "--out", str(Path(out) / "report")],
            cwd=root,
            env={**os.environ, "PYTHONPATH": str(root), "MARGIN_CACHE": str(cache)},
            check=False,
        )
        wall = time.perf_counter() - start
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print a line for each command and checkout."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--turns", type=int, default=2)
    parser.add_argument("--root", type=Path, nargs="*", default=[HOME])
    asked = parser.parse_args()
    print("| command | checkout | first: wall, s | then: wall, s | processor, s |\n|---|---|---|---|---|")
    for name, command in COMMANDS.items():
        with tempfile.TemporaryDirectory() as folder:
            caches = [Path(folder) / str(k) for k in range(len(asked.root))]
            firsts = [
                timed(root.resolve(), command, cache) for root, cache in zip(asked.root, caches, strict=True)
            ]
            turns = [
                [
                    timed(root.resolve(), command, cache)
                    for root, cache in zip(asked.root, caches, strict=True)
                ]
                for _ in range(asked.turns)
            ]
        for k, root in enumerate(asked.root):
            wall, processor = (min(turn[k][which] for turn in turns) for which in (0, 1))
            print(
                f"| `margin {name}` | {root.resolve().name} | {firsts[k][0]:.1f} | {wall:.1f} | {processor:.1f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
