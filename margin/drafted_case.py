"""First case of a product, drafted from the kinds of its sensor and circuit and its load range."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from distributions.errors import InvalidArgument, MarginError
from margin.case.bands import SHIPPED
from margin.case.files import text_of
from margin.case.load import read_case
from margin.case.types import Case
from margin.chain.own_elements import ElementsFile
from margin.drafting import Request, compose
from margin.report.folder import write_text


class FileExists(MarginError, ValueError):
    """A file that would be written over."""


@dataclass(frozen=True)
class DraftedCase:
    """A drafted case file.

    text     of the file
    replace  keys with an example value, 'sensor.sensitivity'
    fault    why it does not load yet (elements of one's own may refuse the example values); None where it loads
    path     where it was written; None where it was not
    """

    text: str
    replace: tuple[str, ...]
    fault: str | None
    path: Path | None = None

    @property
    def case(self) -> Case:
        """The case as `load` reads it. CaseError where `fault` says why not."""
        return read_case(self.text, self.path)

    def __str__(self) -> str:
        return self.text


def draft(
    sensor: str,
    circuit: str,
    loads: str,
    *,
    interface: str = "direct",
    out: str | Path | None = None,
    bands: str | None = None,
    replace: bool = False,
    elements: Iterable[str | Path] = (),
) -> DraftedCase:
    """Draft a commented case file with example values: a case that loads, runs, and says what must be replaced.

    sensor, circuit, interface  kinds, as a case names them
    loads     load range, '2 N to 60 N'
    out       file to write; without it nothing is written
    bands     name of a table of plausible bands beside `out`, which the case then names; a copy of the shipped one
              is written there unless the table exists already
    replace   whether an existing case file may be written over; a table of bands never is
    elements  Python files that register kinds of one's own; they are run

    Raises FileExists for an existing file, ValueError for unknown kinds, a circuit that does not accept the sensor,
    a range that is none and a place for `bands` that is none; ElementError for a faulty file of elements; OSError
    where a file cannot be written.

    >>> import margin
    >>> drafted = margin.draft("thin film", "inverting amplifier", "2 N to 60 N")
    >>> drafted.case.load_high, "circuit.feedback" in drafted.replace
    (60.0, True)
    """
    files = list(elements)
    for file in files:
        ElementsFile.read(Path(file)).run()
    path = None if out is None else Path(out)
    if path is not None and path.exists() and not replace:
        raise FileExists(f"{path}: exists already; name another file, or replace it by --replace")
    table = None if bands is None else _table(bands, path)
    found = compose(
        Request(
            sensor,
            circuit,
            loads,
            interface,
            unstated=bands,
            elements=" --elements ".join(map(str, files)) or None,
        ),
        path,
    )
    if table is not None and not table.exists():
        write_text(table, text_of(SHIPPED))
    if path is not None:
        write_text(path, found.text)
    return DraftedCase(found.text, found.replace, found.fault, path)


def _table(name: str, case: Path | None) -> Path:
    """Where the table of bands is. ValueError unless it is a TOML file beside the case."""
    if case is None:
        raise InvalidArgument(f"bands {name}: a table is written beside the case; name its file by --out")
    if Path(name).name != name or not name.endswith(".toml") or name == case.name:
        raise InvalidArgument(
            f"bands {name!r}: is no name of a TOML file beside the case; write such as our_bands.toml"
        )
    return case.parent / name
