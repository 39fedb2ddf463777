"""Shipped cases with few units, in a folder of their own, where documents and scripts that name them run quickly."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

ROOT = Path(__file__).parent.parent
FEW = {"[study]\n": "[study]\nunits = 330\nouter = 10\n", "[load]\n": "[load]\ncheck = 3\n"}
OPTIONS = (
    "one point, thermometer", "two points, 2 reloads, thermometer", "one point on the curve",
    "two points on the curve", "one-point", "two-point",
)  # fmt: skip
"""Calibration options that are kept, by name or, without one, by kind."""


def thin(case: Path) -> None:
    """Rewrite a case file so that its study draws few units, at three loads, with two calibration options."""
    text = re.sub(r"^check = .*\n", "", case.read_text(encoding="utf-8"), flags=re.MULTILINE)
    for before, after in FEW.items():
        assert text.count(before) == 1
        text = text.replace(before, after)
    options = re.findall(r"^\[\[calibration\]\]\n(?:.+\n)+", text, flags=re.MULTILINE)
    for option in options:
        name = re.search(r'^name = "(.*?)"', option, re.MULTILINE) or re.search(r'kind = "(.*?)"', option)
        if name is None or name[1] not in OPTIONS:
            text = text.replace(option, "")
    assert text.count("\n[[calibration]]\n") == 2, case
    case.write_text(text, encoding="utf-8")


def copy_cases(folder: Path) -> None:
    """Copy `cases/` there: every file but the figures, cases with few units, the bench with three of its sensors."""
    shutil.copytree(ROOT / "cases", folder / "cases", ignore=shutil.ignore_patterns("*.svg", "__pycache__"))
    for case in folder.glob("cases/*/case.toml"):
        thin(case)
    bench = folder / "cases" / "gripper_amplifier" / "bench.csv"
    lines = bench.read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith("L1,") or line.split(",")[1] in ("S1", "S2", "S3")]
    bench.write_text("".join(kept), encoding="utf-8")
