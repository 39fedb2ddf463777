"""What is stated of the columns of a laboratory's table, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from margin.bench.data.mapping import ColumnMapping
from margin.bench.errors import Fault


@dataclass(frozen=True)
class WideStated:
    """A wide table as the user states it; what is empty is found from the header."""

    over: str
    unit: str = ""
    columns: tuple[str, ...] = ()
    values: tuple[str, ...] = ()


@dataclass(frozen=True)
class Wanted:
    """What the user states of the columns.

    columns      field -> 'COLUMN', 'COLUMN in UNIT', or '= VALUE' for a value that holds throughout
    ignored      columns that are not read
    wide         a table with readings side by side
    output_unit  of the readings, where the file does not say
    origin       name of the mapping file that states it, '' without one
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    ignored: tuple[str, ...] = ()
    wide: WideStated | None = None
    output_unit: str | None = None
    origin: str = ""

    @property
    def any(self) -> bool:
        """Whether anything is stated of the columns."""
        return bool(self.columns or self.ignored or self.wide)


@dataclass(frozen=True)
class Resolved:
    """A mapping as far as it is known, and what stands in its way."""

    mapping: ColumnMapping | None
    questions: tuple[Fault, ...]
