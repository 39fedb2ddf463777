"""Examples in docstrings run as they are written; every public name has one."""

from __future__ import annotations

import ast
import doctest
import inspect
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from bench_rows import bench_frame
from few_parts import FEW_PARTS

import distributions
import margin
from margin.chain import registry

ROOT = Path(__file__).parent.parent


CASE = """
[case]
unstated = "zero"
name = "Pad"
[load]
range = "2 N to 20 N"
check = ["2 N", "10 N", "20 N"]
[requirement]
permissible_error = "20 % of reading"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 40 %"
reference_load = "10 N"
exponent = "0.85 +/- 0.002"
hysteresis = "0"
creep = "0"
reload_scatter = "0"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "6 kohm +/- 1 %"
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["10 N"]
[study]
units = 1000
draw = "all units"
"""
"""The case of the examples: uncalibrated many units are beyond 20 %, with one point none is."""


def modules_with_examples() -> list[str]:
    """Dotted names of the modules of the project whose docstrings hold an example."""
    found = []
    for package in ("margin", "distributions"):
        for file in sorted((ROOT / package).rglob("*.py")):
            nodes = ast.walk(ast.parse(file.read_text(encoding="utf-8")))
            kinds = (ast.Module, ast.ClassDef, ast.FunctionDef)
            if any(">>> " in (ast.get_docstring(node) or "") for node in nodes if isinstance(node, kinds)):
                name = ".".join(file.relative_to(ROOT).with_suffix("").parts)
                found.append(name.removesuffix(".__init__"))
    return found


@pytest.mark.parametrize("name", modules_with_examples())
def test_examples_of_a_module_give_what_they_say(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every example of the module prints what stands below it, where `case.toml` and `bench.csv` are small."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(
        registry, "ELEMENTS", {role: dict(kinds) for role, kinds in registry.ELEMENTS.items()}
    )
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    (tmp_path / "parts.toml").write_text(FEW_PARTS, encoding="utf-8")
    bench_frame(sensors=2, mountings=2, cycles=2).replace({"interface": {"soft": "silicone"}}).to_csv(
        tmp_path / "bench.csv", index=False
    )
    module = import_module(name)
    finder = doctest.DocTestFinder(exclude_empty=True)
    runner = doctest.DocTestRunner(verbose=False)
    told: list[str] = []
    for test in finder.find(module, name):
        runner.run(test, out=told.append)
    assert runner.tries > 0
    assert runner.failures == 0, "".join(told)


WITHOUT = {"Case", "errors"} | {"InvalidParameter", "NoDensity", "NotPositiveDefinite"}
"""A case is read, errors are raised: the examples are those of what does so."""


@pytest.mark.parametrize("package", [margin, distributions], ids=lambda package: package.__name__)
def test_every_public_name_has_an_example(package: Any) -> None:
    """Each function and class that a package offers shows in its docstring how it is used; a result, how it is had."""
    for name in sorted(set(package.__all__) - WITHOUT):
        assert ">>> " in (inspect.getdoc(getattr(package, name)) or ""), name
