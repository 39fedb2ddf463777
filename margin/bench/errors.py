"""Faults of a bench file, reported together, each with its place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from distributions.errors import MarginError

SHOWN = 20
"""Faults spelled out in one message; the rest are counted."""


@dataclass(frozen=True)
class Fault:
    """One thing that stands in the way of using bench data.

    file    path of the file, or 'frame' for data handed over in memory
    line    line in the file, counted from 1 (row of the frame, counted from 0); None for the whole file
    column  name of the column, None where it concerns the row
    value   what was found there
    why     what is wrong with it
    mend    what to do
    """

    file: str
    line: int | None
    column: str | None
    value: str | None
    why: str
    mend: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        column = "" if self.column is None else f", column '{self.column}'"
        value = "" if self.value is None else f" (got {self.value!r})"
        return f"{place}{column}: {self.why}{value}. {self.mend}"


class BenchDataError(MarginError, ValueError):
    """Bench data that cannot be read. `faults` lists each fault for programs."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        lines = [str(fault) for fault in self.faults[:SHOWN]]
        if len(self.faults) > SHOWN:
            lines.append(f"... and {len(self.faults) - SHOWN} more of this kind")
        super().__init__("\n".join(lines))

    def __reduce__(self) -> tuple[type[BenchDataError], tuple[tuple[Fault, ...]]]:
        return type(self), (self.faults,)


class Lack(str):
    """Why something is not available from the data at hand, and what to measure: 'one mounting: mount it again'.

    why, measure  the two parts; `measure` is '' where no measurement helps
    """

    why: str
    measure: str

    def __new__(cls, why: str, measure: str = "") -> Lack:
        lack = super().__new__(cls, f"{why}: {measure}" if measure else why)
        lack.why, lack.measure = why, measure
        return lack


class NotMeasurableError(MarginError, ValueError):
    """An estimate that the data at hand cannot give; the message says why, and what to measure.

    lack  the two parts of the message
    """

    def __init__(self, why: str, measure: str = "") -> None:
        self.lack = Lack(why, measure)
        super().__init__(str(self.lack))

    def __reduce__(self) -> tuple[type[NotMeasurableError], tuple[str, str]]:
        return type(self), (self.lack.why, self.lack.measure)
