"""Modules import each other in one direction: no module reaches itself through its imports.

Every import statement counts, at any depth: at the top, inside functions and classes, and under `TYPE_CHECKING`.
`from package import name` is an import of the module `package.name` where there is one, else of `package` itself.
What Python does besides does not count: that a module's parent packages are run before it, and modules that are
named in a string (`importlib.import_module`), by which `margin/__init__.py` finds the home of its public names.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

ROOT = Path(__file__).parent.parent


def modules_of(root: Path, *packages: str) -> dict[str, Path]:
    """Files of the packages below `root` by dotted name; a package is its `__init__`."""
    files = (file for package in packages for file in sorted((root / package).rglob("*.py")))
    return {
        ".".join(file.relative_to(root).with_suffix("").parts).removesuffix(".__init__"): file
        for file in files
    }


def imported(name: str, file: Path, known: Mapping[str, Path]) -> Iterator[str]:
    """Modules among `known` that the module `name` imports."""
    package = name if file.name == "__init__.py" else name.rpartition(".")[0]
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in known)
        elif isinstance(node, ast.ImportFrom):
            above = package.split(".")[: len(package.split(".")) - node.level + 1] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            for alias in node.names:
                inner = f"{base}.{alias.name}"
                if inner in known or base in known:
                    yield inner if inner in known else base


def circles(modules: Mapping[str, Path]) -> list[frozenset[str]]:
    """Strongly connected components of more than one module, each a set of names."""
    names = list(modules)
    place = {name: number for number, name in enumerate(names)}
    edges = [
        (place[name], place[other]) for name in names for other in imported(name, modules[name], modules)
    ]
    rows, columns = np.array(edges, dtype=int).reshape(-1, 2).T
    graph = csr_array((np.ones(len(edges)), (rows, columns)), shape=(len(names), len(names)))
    _, label = connected_components(graph, directed=True, connection="strong")
    groups = (frozenset(np.array(names)[label == each].tolist()) for each in np.unique(label))
    return [group for group in groups if len(group) > 1]


def test_no_import_circles() -> None:
    """No module of the program imports itself through others."""
    found = circles(modules_of(ROOT, "margin", "distributions"))
    assert found == [], "\n".join(", ".join(sorted(circle)) for circle in found)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("import rooms.second", "import rooms.first"),
        ("from rooms.second import door", "def late():\n    from rooms import first"),
        ("from rooms import second", "if TYPE_CHECKING:\n    from rooms.first import Window"),
        ("from . import second", "class Wall:\n    from .first import Window"),
        ("from rooms import door", ""),
    ],
)
def test_each_way_of_importing_closes_a_circle(tmp_path: Path, first: str, second: str) -> None:
    """A circle is found however its imports are written: late, for types, relative, or through the package."""
    texts = {"__init__": "from rooms.first import Window", "first": first, "second": second, "apart": first}
    (tmp_path / "rooms").mkdir()
    for name, text in texts.items():
        (tmp_path / "rooms" / f"{name}.py").write_text(text, encoding="utf-8")
    expected = {"rooms.first", "rooms.second"} if second else {"rooms", "rooms.first"}
    assert circles(modules_of(tmp_path, "rooms")) == [expected]


def test_imports_in_one_direction_are_no_circle(tmp_path: Path) -> None:
    """A package whose `__init__` offers the names of its modules closes no circle with them."""
    (tmp_path / "rooms" / "inner").mkdir(parents=True)
    texts = {
        "__init__": "from rooms.first import Window",
        "first": "from rooms import second\nimport os",
        "second": "from .inner import door",
        "inner/__init__": "",
        "inner/door": "",
    }
    for name, text in texts.items():
        (tmp_path / "rooms" / f"{name}.py").write_text(text, encoding="utf-8")
    assert circles(modules_of(tmp_path, "rooms")) == []
