"""The public names: what completion offers, what a star import takes, what type checkers see; errors in one place."""

from __future__ import annotations

import ast
import importlib.metadata
import inspect
import pickle
import pkgutil
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import distributions
import margin
from margin import errors
from margin.bench.errors import Fault as BenchFault
from margin.case.faults import Fault, ValueFault

ROOT = Path(__file__).parents[2]
LAZY = [margin, errors]


def fresh(code: str) -> str:
    """What a new interpreter prints that runs the code from the root of the repository."""
    command = [sys.executable, "-c", code]
    return subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout


def seen_by_type_checkers(module: ModuleType) -> set[str]:
    """Names that a module imports for type checkers alone."""
    assert module.__file__ is not None
    tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
    blocks = [n for n in tree.body if isinstance(n, ast.If) and ast.unparse(n.test) == "TYPE_CHECKING"]
    return {a.name for b in blocks for n in b.body if isinstance(n, ast.ImportFrom) for a in n.names}


@pytest.mark.parametrize("module", LAZY, ids=lambda module: module.__name__)
def test_a_public_name_is_offered_documented_and_typed(module: ModuleType) -> None:
    """Each name of `__all__` is completed, can be had, stands in the docstring and is seen by type checkers."""
    assert list(module.__all__) == sorted(module.__all__)
    assert set(module.__all__) <= set(dir(module))
    assert seen_by_type_checkers(module) == set(module.__all__)
    for name in module.__all__:
        assert getattr(module, name) is not None
        assert name in re.findall(r"\w+", module.__doc__ or "")


def test_completion_offers_the_names_before_they_are_imported() -> None:
    """A new interpreter lists every name, and nothing private, without loading the numerics."""
    told = fresh("import sys, margin; print(*dir(margin)); print('numpy' in sys.modules, margin.__version__)")
    names, rest = told.splitlines()
    assert {*margin.__all__, "__version__"} <= set(names.split())
    assert not [name for name in names.split() if name.startswith("_") and not name.startswith("__")]
    assert rest == f"False {importlib.metadata.version('margin')}"


def test_a_star_import_takes_every_name() -> None:
    """`from margin import *` gives each public name and no other."""
    taken = fresh("from margin import *; print(*[n for n in dir() if not n.startswith('__')])").split()
    assert taken == list(margin.__all__)


def test_unknown_names_are_refused() -> None:
    """Neither module has names beside those that it lists."""
    for module in LAZY:
        with pytest.raises(AttributeError, match="no attribute 'guess'"):
            _ = module.guess


def every_error() -> set[type[BaseException]]:
    """Each class of exception that a module of the project defines."""
    found: set[type[BaseException]] = set()
    for package in (margin, distributions):
        for info in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if info.name.endswith("__main__"):
                continue
            module = import_module(info.name)
            found |= {
                thing
                for _, thing in inspect.getmembers(module, inspect.isclass)
                if issubclass(thing, BaseException) and thing.__module__ == module.__name__
            }
    return found


INTERNAL = {"BudgetEnded", "NoSuchFigure", "NotPrivate", "NotTraceable", "UnsoundPart", "ValueFault"}
"""Caught where they are raised: none of them reaches a caller."""


def test_every_error_is_in_one_place_and_of_one_kind() -> None:
    """What the project raises is found in `margin.errors`, is a MarginError and an error of Python's own kind."""
    found = {error.__name__: error for error in every_error()}
    assert set(found) - INTERNAL == set(errors.__all__)
    for name in errors.__all__:
        error = getattr(errors, name)
        assert error is found[name] and issubclass(error, errors.MarginError)
        if error is not errors.MarginError:
            assert issubclass(error, RuntimeError if name == "GpuUnavailable" else ValueError)


MADE: dict[str, tuple[object, ...]] = {
    "CaseError": ([Fault("a.toml", "circuit", "feedback", 3, "is no resistance", "write 3 ohm")],),
    "BenchDataError": ([BenchFault("a.csv", 3, "load_N", "x", "is no number", "Write one")],),
    "UnitError": ("no unit: 'kN m'", "kN m"),
    "InvalidParameter": ("normal", "sd", -1.0, "above 0"),
    "NotPositiveDefinite": (("a", "b"), np.eye(2)),
    "FailedEvaluations": (1, 2, "unit 3", (0.5,), "Look there."),
}
"""Arguments of errors that take more than a message."""


@pytest.mark.parametrize("name", errors.__all__)
def test_errors_come_back_from_a_worker_process_as_they_were(name: str) -> None:
    """Pickled and read back, an error has its kind, its message and all that it carries."""
    made = getattr(errors, name)(*MADE.get(name, ("what is wrong",)))
    back = pickle.loads(pickle.dumps(made))
    assert type(back) is type(made) and str(back) == str(made)
    for key, value in vars(made).items():
        assert np.array_equal(getattr(back, key), value) if key == "nearest" else getattr(back, key) == value


def test_faults_of_values_come_back_too() -> None:
    """A fault without its place keeps reason and remedy apart."""
    back = pickle.loads(pickle.dumps(ValueFault("no number", "write one")))
    assert (str(back), back.reason, back.mend) == ("no number; write one", "no number", "write one")


def test_arguments_are_refused_by_the_common_error(tmp_path: Path) -> None:
    """An unknown option and a seed below 0 are caught by the base of all errors, and by ValueError as before."""
    case = margin.load(ROOT / "cases" / "gripper_amplifier" / "case.toml")
    for ask in (
        lambda: margin.budget(case, option="no such"),
        lambda: margin.rare(case, "no such"),
        lambda: margin.accept(case, "no such"),
        lambda: margin.plan(case, seconds=-1),
        lambda: margin.age(case, "no such"),
        lambda: margin.problem(case, "no such"),
        lambda: margin.validate(seed=-1),
        lambda: margin.estimate(case, workers=0),
        lambda: margin.characterise(tmp_path),
    ):
        with pytest.raises(errors.MarginError) as caught:
            ask()
        assert isinstance(caught.value, ValueError)
