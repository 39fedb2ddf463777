"""Elements of a user's own, from Python files that register them."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from types import ModuleType

from margin.chain.registry import ELEMENTS, ElementError

_MODULE = "margin_elements"
_apart = Lock()


@dataclass(frozen=True)
class ElementsFile:
    """A Python file that registers elements; what it holds can be sent to where the file is not."""

    name: str
    content: bytes

    @classmethod
    def read(cls, path: Path) -> ElementsFile:
        """ElementError where the file cannot be read."""
        if path.is_dir():
            raise ElementError(
                f"elements {path}: is a folder; name the Python file in it that registers them"
            )
        if not path.is_file():
            raise ElementError(f"elements {path}: there is no such file")
        return cls(str(path), path.read_bytes())

    def run(self) -> None:
        """Run the file. ElementError names whatever goes wrong in it."""
        module = ModuleType(_MODULE)
        module.__file__ = self.name
        before = sys.modules.get(_MODULE)
        # a dataclass looks its annotations up in its module while it is made
        sys.modules[_MODULE] = module
        try:
            exec(compile(self.content, self.name, "exec"), module.__dict__)
        except ElementError:
            raise
        except Exception as error:
            raise ElementError(f"elements {self.name}: {type(error).__name__}: {error}") from error
        finally:
            if before is None:
                del sys.modules[_MODULE]
            else:
                sys.modules[_MODULE] = before


def classes_in(files: tuple[ElementsFile, ...]) -> dict[tuple[str, str], type]:
    """Classes that the files register, by role and kind; the registry is afterwards as it was.

    A process that lives longer than one run may so meet the same file again, or a newer one.
    """
    with _apart:
        before = {role: dict(kinds) for role, kinds in ELEMENTS.items()}
        for kinds in ELEMENTS.values():
            for kind, cls in tuple(kinds.items()):
                if cls.__module__ == _MODULE:
                    del kinds[kind]
        try:
            for file in files:
                file.run()
            return {
                (role, kind): cls
                for role, kinds in ELEMENTS.items()
                for kind, cls in kinds.items()
                if before[role].get(kind) is not cls
            }
        finally:
            for role, kinds in before.items():
                ELEMENTS[role].clear()
                ELEMENTS[role].update(kinds)
