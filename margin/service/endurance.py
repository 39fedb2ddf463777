"""Endurance data: lives of units with censoring, or the drift of their outputs, from a CSV file."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm, t

from margin.bench.fitted import FittedQuantity, FittedSpread
from margin.bench.levels import LEAST_WORTH, TAKEN_OFF
from margin.bench.model_file import quantity_text
from margin.case import units
from margin.case.faults import CaseError, Fault
from margin.case.files import rows_of, text_of
from margin.service.life_fits import Lives

Array = NDArray[np.float64]

LARGEST = 20_000_000
LEAST_UNITS = 2
HOUR = 3600.0
LEAST_LIFE, MOST_LIFE = 1e-12, 1e12
"""Hours or cycles. Beyond them a time is a slip, and the fits have no numbers for it."""

ROUNDING = 1e-3
"""Share of the spread found below which a spread is the rounding of what is written."""

_HEAD = re.compile(
    r"\s*(?P<name>[a-z]+)\s*(?:\((?P<unit>[^()]+)\)|\[(?P<other>[^\[\]]+)\])?\s*", re.IGNORECASE
)
_MEND = (
    "write, separated by commas, the columns unit, time (h) and failed (0 or 1) for lives, or unit, time (h) and "
    "output for a drift; lives counted in cycles state time (cycles)"
)
_TRUE, _FALSE = ("1", "yes", "true"), ("0", "no", "false")


@dataclass(frozen=True)
class LifeData:
    """Lives as read: in hours, or in cycles where the header says so."""

    lives: Lives
    counted_in: str


@dataclass(frozen=True)
class Drift:
    """Loss of output per decade of hours, of units measured over their age: output = a (1 - d log10(1 + t / 1 h)).

    unit, rate, error  of each unit: its name, d, and the standard error of d from its own readings; (unit,)
    ended              h, age of the last reading of each unit: those that were taken out early count as far as known
    readings           of all units together
    mean, spread       of d over the units; the scatter of the readings is taken out of the spread
    """

    unit: tuple[str, ...]
    rate: Array
    error: Array
    ended: Array
    readings: int

    @property
    def mean(self) -> float:
        """Mean loss per decade, relative."""
        return float(self.rate.mean())

    @property
    def spread(self) -> float:
        """Standard deviation between units: of the rates found, less what the readings of a unit scatter."""
        return math.sqrt(max(float(self.rate.var(ddof=1)) - float(np.mean(self.error**2)), 0.0))

    @property
    def spread_found(self) -> float:
        """Standard deviation of the rates as found, the scatter of readings included."""
        return float(self.rate.std(ddof=1))

    @property
    def worth(self) -> int:
        """Units that the knowledge of the spread is worth.

        All of them where the scatter of readings is at most a tenth of the variance found; else Satterthwaite's
        effective degrees of freedom, rounded down, plus one (JCGM 100, G.4.1), as for spreads of a bench.
        """
        share = self.spread**2 / self.spread_found**2 if self.spread_found else 1.0
        if share >= 1.0 - TAKEN_OFF:
            return len(self.unit)
        return int(share**2 * (len(self.unit) - 1)) + 1

    @property
    def quantity(self) -> FittedQuantity:
        """The rate as a quantity of a sensor, whose spread and mean are as uncertain as so few units leave them.

        The spread between units is that without the scatter of readings where the units tell it from that, else the
        spread as found, which is not too small. The mean of n rates as found scatters by s / sqrt(n), s as found:
        what 'from N units' leaves out of that becomes a spread per common, wide enough for Student's t.
        """
        units, found = len(self.unit), self.spread_found
        told = (
            f"unit: sd {100.0 * found:.3g} % as found, {100.0 * self.spread:.3g} % without the scatter of readings; "
            f"{units} units, {self.readings} readings"
        )
        if not found:
            return FittedQuantity("ageing", self.mean, "%", (), False, (told,))
        if self.worth < min(LEAST_WORTH, units):
            told += "; not told from the scatter of readings, written as found"
            spreads = [FittedSpread("unit", found, units)]
        else:
            told += "" if self.worth == units else f", as from {self.worth} units"
            spreads = [FittedSpread("unit", self.spread, self.worth)]
            left = found**2 / units - self.spread**2 / self.worth
            if left > (ROUNDING * found) ** 2:
                wide = float(t.ppf(0.975, units - 1) / norm.ppf(0.975))
                spreads.append(FittedSpread("common", wide * math.sqrt(left), None))
        return FittedQuantity("ageing", self.mean, "%", tuple(spreads), False, (told,))

    @property
    def case_text(self) -> str:
        """The key of a sensor as it stands in a case: 'ageing = "1.2 % +/- 0.4 % (2 sigma, from 8 units) per unit"'."""
        return f'ageing = "{quantity_text(self.quantity)}"'


def read_endurance(path: str | Path) -> LifeData | Drift:
    """Endurance data of a CSV file. Raises CaseError with file, line and value.

    Columns unit, time and failed (0: it still worked) are lives; unit, time and output are a drift. Time is in any unit
    of time, or in cycles; the output in any unit: its relative change counts.
    """
    path = Path(path)
    file = str(path)
    rows = rows_of(text_of(path, largest=LARGEST), file)
    written = next(rows, [])
    head = [_HEAD.fullmatch(cell) for cell in written]
    names = [found["name"].lower() if found else "" for found in head]
    if names.count("time") != 1 or names.count("unit") != 1 or ("failed" in names) == ("output" in names):
        shown = ",".join(written)[:60]
        key, reason = ("columns", "are not those of lives or of a drift") if shown else ("", "is empty")
        raise CaseError([Fault(file, "", key, shown or None, reason, _MEND)])
    factor, counted_in = _scale(head, file)
    records = list(_records(rows, names, factor, file))
    if not records:
        raise CaseError(
            [Fault(file, "", "", None, "has no line below its columns", "write one a unit or reading")]
        )
    if "failed" in names:
        return LifeData(_lives(records, file), counted_in)
    if counted_in != "h":
        raise CaseError(
            [Fault(file, "", "time", None, "a drift is stated over hours", "state time in hours")]
        )
    return _drift(records, file)


def _scale(head: Sequence[re.Match[str] | None], file: str) -> tuple[float, str]:
    """What a time of the file is multiplied by, and what it is then counted in."""
    found = next(each for each in head if each is not None and each["name"].lower() == "time")
    written = (found["unit"] or found["other"] or "").strip()
    if written in ("cycle", "cycles"):
        return 1.0, "cycles"
    if not written:
        raise CaseError([Fault(file, "", "time", None, "states no unit", _MEND)])
    try:
        return units.to_si(Fraction(1), written, "s") / HOUR, "h"
    except units.UnitError as error:
        raise CaseError([Fault(file, "", "time", None, str(error), _MEND)]) from error


def _records(
    rows: Iterator[list[str]], names: list[str], factor: float, file: str
) -> Iterator[tuple[int, str, float, Any]]:
    """Line, unit, time and what was found, of each row."""
    for line, row in enumerate(rows, 2):
        if not any(cell.strip() for cell in row):
            continue
        cells = {name: cell.strip() for name, cell in zip(names, row, strict=False)}
        time = _number(cells.get("time", ""), line, "time", file) * factor
        if time < 0.0:
            raise CaseError([Fault(file, "", f"line {line}", cells["time"], "is no time", "write 0 or more")])
        if not cells.get("unit"):
            raise CaseError(
                [Fault(file, "", f"line {line}", None, "names no unit", "write a name or number")]
            )
        if "failed" in names:
            text = cells.get("failed", "").lower()
            if text not in (*_TRUE, *_FALSE):
                reason = "does not state whether the unit failed"
                raise CaseError(
                    [Fault(file, "", f"line {line}", text, reason, "write 1, or 0 where it still worked")]
                )
            yield line, cells["unit"], time, text in _TRUE
        else:
            yield line, cells["unit"], time, _number(cells.get("output", ""), line, "output", file)


def _number(text: str, line: int, what: str, file: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise CaseError([Fault(file, "", f"line {line}", text, f"is no {what}", "write a number")])
    return value


def _lives(records: list[tuple[int, str, float, Any]], file: str) -> Lives:
    seen: set[str] = set()
    for line, unit, time, _ in records:
        if unit in seen:
            raise CaseError([Fault(file, "", f"line {line}", unit, "has a line before", "one line a unit")])
        if not LEAST_LIFE <= time <= MOST_LIFE:
            mend = f"a life is above 0, from {LEAST_LIFE:g} to {MOST_LIFE:g} h or cycles"
            raise CaseError([Fault(file, "", f"line {line}", time, "is no life", mend)])
        seen.add(unit)
    try:
        return Lives.of_test([each[2] for each in records], [each[3] for each in records])
    except ValueError as error:
        raise CaseError([Fault(file, "", "", None, str(error))]) from error


def _drift(records: list[tuple[int, str, float, Any]], file: str) -> Drift:
    by_unit: dict[str, list[tuple[float, float]]] = {}
    for _, unit, time, output in records:
        by_unit.setdefault(unit, []).append((time, output))
    found = []
    for unit, pairs in by_unit.items():
        ages, outputs = (np.array(column) for column in zip(*pairs, strict=True))
        decades = np.log10(1.0 + ages)
        if ages.size < 3 or np.ptp(decades) < 0.1:
            reason = (
                f"{ages.size} readings over {np.ptp(decades):.2g} decades of age give no rate with its error"
            )
            mend = "three readings or more, over a decade of age"
            raise CaseError([Fault(file, "", f"unit {unit}", None, reason, mend)])
        rate, error = _rate(decades, outputs, unit, file)
        found.append((unit, rate, error, float(ages.max())))
    if len(found) < LEAST_UNITS:
        raise CaseError(
            [Fault(file, "", "", None, f"{len(found)} unit is no spread", "measure two units or more")]
        )
    names, rates, errors, ended = zip(*found, strict=True)
    return Drift(names, np.array(rates), np.array(errors), np.array(ended), len(records))


def _rate(decades: Array, outputs: Array, unit: str, file: str) -> tuple[float, float]:
    """d and its standard error: a line through the outputs over the decades, its slope over its value at age 0."""
    # its rate is relative: the size of the outputs, which squares would carry beyond any number, does not count
    outputs = outputs / (float(np.abs(outputs).max()) or 1.0)
    design = np.stack([np.ones(decades.size), decades], axis=1)
    (start, slope), rest, *_ = np.linalg.lstsq(design, outputs, rcond=None)
    if start == 0.0:
        raise CaseError(
            [Fault(file, "", f"unit {unit}", None, "puts out nothing when new", "look at its readings")]
        )
    left = float(rest[0]) if rest.size else 0.0
    covariance = np.linalg.inv(design.T @ design) * left / (decades.size - 2)
    rate = -float(slope / start)
    # of a quotient, to first order (JCGM 100, 5.2.2)
    gradient = np.array([slope / start**2, -1.0 / start])
    return rate, float(np.sqrt(gradient @ covariance @ gradient))
