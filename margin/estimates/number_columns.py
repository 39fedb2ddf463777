"""Formatting of a column of numbers: one unit and one number of decimals for all of its cells.

The decimals are those that the median interval of the column supports; more where a number needs them for two
significant digits. Where the numbers span more than three decades, every cell has the same number of significant
digits instead, still in one unit. A number below a tenth of the half-width of its interval has no say in the format.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN
from typing import NamedTuple

from margin.estimates import numbers
from margin.estimates.numbers import Scale
from margin.estimates.yield_result import Estimate

NONE = "–"
PERCENT = Scale(100.0, "%")

_DECADES = 3.0
_UNTOLD = 0.1
_FEWEST, _MOST = 2, 4
_STATED_DIGITS = 6


class Entry(NamedTuple):
    """A number with its interval, in the base unit."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Cell:
    """A number and its interval as text; no interval reads ''."""

    value: str
    interval: str = ""

    @property
    def text(self) -> str:
        """'12.3 (12.1 to 12.6)'."""
        return f"{self.value} ({self.interval})" if self.interval else self.value

    @property
    def lines(self) -> str:
        """Number and interval on lines of their own."""
        return f"{self.value}\n{self.interval}" if self.interval else self.value


@dataclass(frozen=True)
class _Format:
    """Digits of a column: `last` power of ten, or `figures` significant digits; `least` of one number alone."""

    last: int | None
    figures: int
    least: Callable[[Entry], int | None]

    def digit(self, entry: Entry) -> int | None:
        """Power of ten of the last digit of one number."""
        own = self.least(entry)
        if self.last is not None:
            return self.last
        if not _told(entry):
            return numbers.digit_supported(entry.low, entry.high)
        digit = numbers.first_digit(entry.value) - self.figures + 1
        return digit if own is None else min(digit, own)


def estimated(found: Estimate) -> Entry:
    """An estimate as an entry of a column."""
    return Entry(found.value, found.low, found.high)


def scale_of(entries: Sequence[Entry | None], unit: str) -> Scale:
    """One prefix for a column: that of its largest finite number or end of an interval."""
    return numbers.scale_for([number for entry in entries if entry is not None for number in entry], unit)


def column(
    entries: Sequence[Entry | None],
    scale: Scale,
    *,
    signed: bool = False,
    reason: str = numbers.NO_REASON,
) -> tuple[Cell, ...]:
    """Cells of numbers with intervals; None reads '–', what is not finite 'not determined (reason)'.

    scale  factor to the unit shown; its unit follows each number, '' where the heading has it
    """
    return _cells(entries, scale, lambda _: None, None, ROUND_HALF_EVEN, signed, reason)


def share_column(entries: Sequence[Entry | None], scale: Scale = PERCENT) -> tuple[Cell, ...]:
    """Shares as percentages; a share below 1 never reads 100 %."""
    return _cells(entries, scale, _missing_digit, None, ROUND_HALF_EVEN, False, numbers.NO_REASON)


def bound_column(entries: Sequence[Entry | None], target: float, scale: Scale = PERCENT) -> tuple[Cell, ...]:
    """Lower bounds on a share as percentages, rounded down.

    target  share that the bounds are held against: its own digits are kept, so that a bound is shown to reach it
            where it does, and only there
    """
    finest = numbers.stated_digit(scale.factor * target)
    return _cells(entries, scale, lambda _: None, finest, ROUND_FLOOR, False, numbers.NO_REASON)


def range_column(
    ranges: Sequence[tuple[float, float] | None], sampled: Sequence[Entry], *, none: str = NONE
) -> tuple[str, ...]:
    """Ranges of shares over draws as percentages, rounded outwards; `none` where there is none.

    sampled  shares with the intervals of their draws: a range that hardly moves has no digits beyond those
    """
    scaled = [
        None if ends is None else Entry(100.0 * ends[0], 100.0 * ends[0], 100.0 * ends[1]) for ends in ranges
    ]
    digits = []
    for entry, own in zip(scaled, sampled, strict=True):
        if entry is not None and _finite(entry) and _finite(own):
            pairs = (entry.low, entry.high), (100.0 * own.low, 100.0 * own.high)
            told = [digit for pair in pairs if (digit := numbers.digit_supported(*pair)) is not None]
            digits.append(max(told, default=0))
    last = sorted(digits)[len(digits) // 2] if digits else 0
    shown = []
    for entry in scaled:
        if entry is None or not _finite(entry):
            shown.append(none if entry is None else numbers.not_determined(numbers.NO_REASON))
            continue
        low = numbers.written(entry.low, last, ROUND_FLOOR)
        high = numbers.written(entry.high, last, ROUND_CEILING)
        shown.append(numbers.join(low if low == high else f"{low} to {high}", "%"))
    return tuple(shown)


def change_column(
    entries: Sequence[Entry | None],
    scale: Scale,
    resolved: Sequence[bool] | None = None,
    *,
    reason: str = numbers.NO_REASON,
) -> tuple[Cell, ...]:
    """Signed changes; 'below resolution' with the largest change that the interval allows, rounded up.

    resolved  False for changes that are judged below resolution whatever their interval
    """
    judged = resolved or [True] * len(entries)
    shown = [
        entry if told and entry is not None and not entry.low <= 0.0 <= entry.high else None
        for entry, told in zip(entries, judged, strict=True)
    ]
    cells = list(column(shown, scale, signed=True, reason=reason))
    given = [entry for entry in shown if entry is not None and _finite(entry)] or [
        Entry(bound, -bound, bound)
        for bound in (
            max(-entry.low, entry.high) for entry in entries if entry is not None and _finite(entry)
        )
    ]
    limits = _format([_scaled(entry, scale) for entry in given], lambda _: None, None)
    for place, (entry, own) in enumerate(zip(entries, shown, strict=True)):
        if entry is None or own is not None:
            continue
        if not _finite(entry):
            cells[place] = Cell(numbers.not_determined(reason))
            continue
        bound = max(abs(entry.low), abs(entry.high)) * scale.factor
        cells[place] = Cell(numbers.BELOW_RESOLUTION, _limit(bound, limits, scale.unit))
    return tuple(cells)


def plain_column(
    values: Sequence[float | None], scale: Scale, digits: int = 3, *, reason: str = numbers.NO_REASON
) -> tuple[str, ...]:
    """Cells of numbers without intervals: two significant digits or more of each, `digits` of the largest.

    Decimals that are zero in all cells are dropped.
    """
    scaled = [None if value is None else value * scale.factor for value in values]
    told = [v for v in scaled if v is not None and math.isfinite(v) and abs(v) >= numbers.NUMERICAL_ZERO]
    firsts = [numbers.first_digit(v) for v in told]
    wide = bool(told) and max(firsts) - min(firsts) > _DECADES
    last = min((0, min(firsts, default=0) - _FEWEST + 1, max(firsts, default=0) - digits + 1))
    while last < 0 and not wide and all(_same(v, last, last + 1) for v in told):
        last += 1
    cells = []
    for value in scaled:
        if value is None or not math.isfinite(value):
            cells.append(NONE if value is None else numbers.not_determined(reason))
        elif abs(value) < numbers.NUMERICAL_ZERO:
            cells.append(numbers.join("0", scale.unit))
        elif wide:
            cells.append(numbers.plain(value, digits=digits, scale=Scale(1.0, scale.unit)))
        else:
            cells.append(numbers.join(numbers.fixed(value, last, ROUND_HALF_EVEN), scale.unit))
    return tuple(cells)


def stated_column(values: Sequence[float], scale: Scale) -> tuple[str, ...]:
    """Cells of numbers that the case states, as loads: written out, all with the same decimals."""
    scaled = [value * scale.factor for value in values]
    exact = [float(f"{value:.{_STATED_DIGITS}g}") for value in scaled]
    last = min((numbers.stated_digit(value) for value in exact), default=0)
    return tuple(numbers.join(numbers.fixed(value, last, ROUND_HALF_EVEN), scale.unit) for value in exact)


def _cells(
    entries: Sequence[Entry | None],
    scale: Scale,
    least: Callable[[Entry], int | None],
    finest: int | None,
    rounding: str,
    signed: bool,
    reason: str,
) -> tuple[Cell, ...]:
    scaled = [None if entry is None else _scaled(entry, scale) for entry in entries]
    form = _format([entry for entry in scaled if entry is not None and _finite(entry)], least, finest)
    return tuple(_cell(entry, form, rounding, scale.unit, signed, reason) for entry in scaled)


def _cell(entry: Entry | None, form: _Format, rounding: str, unit: str, signed: bool, reason: str) -> Cell:
    if entry is None:
        return Cell(NONE)
    if not _finite(entry):
        return Cell(numbers.not_determined(reason))
    last = form.digit(entry)
    value, bottom, top = (
        numbers.with_sign(numbers.written(number, last, how), signed)
        for number, how in zip(entry, (rounding, ROUND_FLOOR, ROUND_CEILING), strict=True)
    )
    return Cell(numbers.join(value, unit), numbers.join(f"{bottom} to {top}", unit))


def _format(entries: Sequence[Entry], least: Callable[[Entry], int | None], finest: int | None) -> _Format:
    supported = sorted(
        digit for e in entries if (digit := numbers.digit_supported(e.low, e.high)) is not None
    )
    told = [numbers.first_digit(e.value) for e in entries if _told(e)]
    own = [digit for e in entries if (digit := least(e)) is not None]
    if told and max(told) - min(told) > _DECADES:
        needed = sorted(
            numbers.first_digit(e.value) - digit + 1
            for e in entries
            if _told(e) and (digit := numbers.digit_supported(e.low, e.high)) is not None
        )
        figures = needed[len(needed) // 2] if needed else _FEWEST + 1
        return _Format(None, min(max(figures, _FEWEST), _MOST), least)
    given = [*([supported[len(supported) // 2]] if supported else []), *own]
    given += [first - _FEWEST + 1 for first in told] if supported else []
    given += [finest] if finest is not None and given else []
    # without any interval each number is written out
    return _Format(min(given), _FEWEST, least) if given else _Format(None, _MOST, least)


def _limit(bound: float, form: _Format, unit: str) -> str:
    """'within ±0.30 points': the largest change that an interval allows, rounded up."""
    if bound == 0.0:
        return ""
    last = form.last if form.last is not None else numbers.first_digit(bound) - _FEWEST + 1
    return f"within ±{numbers.join(numbers.fixed(float(f'{bound:.12g}'), last, ROUND_CEILING), unit)}"


def _missing_digit(entry: Entry) -> int | None:
    """First digit of what a percentage lacks to 100 %."""
    missing = float(f"{100.0 - entry.value:.12g}")
    return numbers.first_digit(missing) if missing > numbers.NUMERICAL_ZERO else None


def _told(entry: Entry) -> bool:
    return numbers.told_from_zero(entry.value, entry.low, entry.high, _UNTOLD)


def _scaled(entry: Entry, scale: Scale) -> Entry:
    return Entry(*(float(f"{number * scale.factor:.12g}") for number in entry))


def _finite(entry: Entry) -> bool:
    return all(math.isfinite(number) for number in entry)


def _same(value: float, last: int, coarser: int) -> bool:
    one, other = (numbers.fixed(value, digit, ROUND_HALF_EVEN) for digit in (last, coarser))
    return float(one) == float(other)
