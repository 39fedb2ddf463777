"""Shipped cases with few units, in a folder of their own, where documents and scripts that name them run quickly."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from few_parts import few_parts

import margin
from margin.case import Case
from margin.case.load import as_case
from margin.design.measures import Effort
from margin.estimates import evaluate as evaluation
from margin.estimates.error_budget import error_budget
from margin.estimates.evaluate import evaluate
from margin.estimates.rare_failures import rare_failures
from margin.study import compare

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


_found: dict[str, Any] = {}


def once(compute: Callable[..., Any]) -> Callable[..., Any]:
    """The function of a case, computed once for the same case asked in the same way, wherever its file lies.

    A case draws the same units whenever it is computed, as tests of their own check; what a document or a script
    does with its results is done anew each time. What leaves parts in a folder is always computed.
    """

    def found(case: Case, *option: str, **ways: Any) -> Any:
        asked = {name: way for name, way in ways.items() if name != "stage" and way is not None}
        if "resume" in asked:
            return compute(case, *option, **ways)
        key = repr((compute, replace(case, path=None), case.source, option, sorted(asked.items())))
        if key not in _found:
            _found[key] = compute(case, *option, **ways)
        return replace(_found[key], case=case)

    return found


def once_a_pair(compare: Callable[..., Any]) -> Callable[..., Any]:
    """The comparison of two cases, computed once for the same files and changes."""

    def found(first: Any, second: Any, **ways: Any) -> Any:
        cases = as_case(first), as_case(second)
        key = repr([(case, case.source) for case in cases])
        if key not in _found:
            _found[key] = compare(*cases, **ways)
        return _found[key]

    return found


def quicken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few evaluations for budgets, effects in reports and rare failures; the study of a case computed once."""
    monkeypatch.setattr(margin, "budget", partial(margin.budget, runs=3000, width=1.0), raising=False)
    monkeypatch.setattr(margin, "rare", partial(margin.rare, budget=2000), raising=False)
    monkeypatch.setattr(margin, "size", partial(margin.size, parts=few_parts(), designs=1), raising=False)
    few_sets = partial(margin.improve, effort=Effort(screens=20))
    monkeypatch.setattr(margin, "improve", few_sets, raising=False)
    monkeypatch.setattr(margin, "plan", partial(margin.plan, units=400, seconds=20.0), raising=False)
    monkeypatch.setattr(margin, "accept", partial(margin.accept, units=330), raising=False)
    monkeypatch.setattr(margin, "overturn", partial(margin.overturn, units=330, pairs=False), raising=False)
    monkeypatch.setattr(margin, "age", partial(margin.age, units=330), raising=False)
    monkeypatch.setattr(margin, "diagnose", partial(margin.diagnose, causes=False), raising=False)
    monkeypatch.setattr(evaluation, "runs_of_report", lambda model: 1000)
    monkeypatch.setattr("margin.study.evaluate", once(evaluate))
    monkeypatch.setattr("margin.study.error_budget", once(error_budget))
    monkeypatch.setattr("margin.rare_study.rare_failures", once(rare_failures))
    monkeypatch.setattr("margin.study.compare", once_a_pair(compare))
