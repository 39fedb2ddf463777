"""How the numbers of one column are written."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.estimates import numbers
from margin.estimates.number_columns import (
    NONE,
    Cell,
    Entry,
    bound_column,
    change_column,
    column,
    plain_column,
    range_column,
    scale_of,
    share_column,
    stated_column,
)

BARE = numbers.Scale(1.0, "")
POINTS = numbers.Scale(100.0, "")


def texts(cells: tuple[Cell, ...]) -> list[str]:
    return [cell.text.replace("\N{NO-BREAK SPACE}", " ") for cell in cells]


def decimals(text: str) -> int:
    return len(text.partition(".")[2])


def test_one_unit_and_the_same_decimals() -> None:
    """Forces from newtons to kilonewtons are in one unit with the decimals of the median interval."""
    entries = [Entry(25.95e3, 24.8e3, 27.2e3), Entry(12.2e3, 11.8e3, 12.6e3), Entry(1440.0, 1390.0, 1490.0)]
    cells = column(entries, scale_of(entries, "N"))
    assert texts(cells) == [
        "26.0 kN (24.8 to 27.2 kN)", "12.2 kN (11.8 to 12.6 kN)", "1.4 kN (1.3 to 1.5 kN)",
    ]  # fmt: skip


def test_wide_columns_have_significant_digits() -> None:
    """Beyond three decades decimals would drown the large numbers or swallow the small ones; the unit stays."""
    entries = [Entry(0.002, 0.0019, 0.0021), Entry(12.0, 11.0, 13.0)]
    assert texts(column(entries, numbers.Scale(1.0, "N"))) == [
        "0.0020 N (0.0019 to 0.0021 N)", "12 N (11 to 13 N)",
    ]  # fmt: skip


def test_what_is_not_told_from_zero_sets_no_format() -> None:
    """A median error far below its interval does not give the whole column its digits."""
    entries = [Entry(0.0003, -0.01, 0.01), Entry(0.52, 0.51, 0.53), Entry(-2.1, -2.11, -2.09)]
    assert [cell.value for cell in column(entries, BARE)] == ["0.00", "0.52", "-2.10"]


def test_shares_are_all_percentages() -> None:
    """No failing parts per million between percentages, and no 100 % where some fail."""
    entries = [Entry(0.1464, 0.13, 0.17), Entry(0.9996, 0.9988, 0.9999), Entry(1.0, 0.96, 1.0), None]
    cells = share_column(entries)
    assert [cell.value.replace("\N{NO-BREAK SPACE}", " ") for cell in cells] == [
        "14.64 %", "99.96 %", "100.00 %", NONE,
    ]  # fmt: skip


def test_a_wide_interval_leaves_two_digits() -> None:
    """14.64 % with an interval of ten points to each side reads 15 %."""
    assert texts(share_column([Entry(0.1464, 0.05, 0.25)])) == ["15 % (5 to 25 %)"]


def test_bounds_are_rounded_down_and_reach_their_target_only_if_they_do() -> None:
    """A bound just below 95.5 % is not shown as 95.5 %, one just above is."""
    entries = [Entry(0.95499, 0.93, 0.97), Entry(0.95501, 0.93, 0.97)]
    assert [cell.value for cell in bound_column(entries, 0.955, POINTS)] == ["95.4", "95.5"]


def test_changes_below_resolution_are_bounded_in_the_format_of_the_others() -> None:
    """What is not resolved reads so, with the largest change that its interval allows."""
    entries = [Entry(0.02, 0.0104, 0.03), Entry(0.0, -0.016, 0.012), Entry(0.004, 0.002, 0.006), None]
    cells = change_column(entries, POINTS, [True, True, False, True])
    assert texts(cells) == [
        "+2.0 (+1.0 to +3.0)", "below resolution (within ±1.6)", "below resolution (within ±0.6)", NONE,
    ]  # fmt: skip


def test_no_number_is_not_determined() -> None:
    """NaN in one cell leaves the others as they are."""
    cells = column([Entry(math.nan, 0.0, 1.0), Entry(2.0, 1.0, 3.0)], BARE, reason="no draws")
    assert texts(cells) == ["not determined (no draws)", "2.0 (1.0 to 3.0)"]


@pytest.mark.parametrize(
    ("values", "digits", "expected"),
    [
        ([2.13, 5.25, 60.1], 3, ("2.1", "5.2", "60.1")),
        ([0.0, 20.1, 361.0], 3, ("0", "20", "361")),
        ([-1.4e-16, 0.5], 3, ("0.0", "0.5")),
        ([2.3e-5, 60.0], 3, ("0.000023", "60")),
        ([math.nan, 1.0, None], 2, ("not determined (too few draws)", "1", NONE)),
    ],
)
def test_plain_columns(values: list[float | None], digits: int, expected: tuple[str, ...]) -> None:
    """Numbers without intervals share their decimals; rounding errors of zero read zero."""
    assert plain_column(values, BARE, digits) == tuple(
        "0" if value is not None and abs(value) < 1e-9 else text
        for value, text in zip(values, expected, strict=True)
    )


def test_ranges_without_width_take_the_digits_of_the_sample() -> None:
    """A range over draws that hardly moves shows no digits that sampling cannot support, and one number where its
    ends read alike."""
    sampled = [Entry(0.97, 0.966, 0.981), Entry(1.0, 0.993, 1.0), Entry(0.5, 0.49, 0.51)]
    shown = range_column([(0.97434, 0.97434), (1.0, 1.0), None], sampled, none="nothing varies")
    assert [text.replace("\N{NO-BREAK SPACE}", " ") for text in shown] == [
        "97.4 to 97.5 %", "100.0 %", "nothing varies",
    ]  # fmt: skip


def test_stated_numbers_are_written_out() -> None:
    """Loads of a case lose no digit, and have the same decimals."""
    assert stated_column([0.25, 7.75, 60.0], BARE) == ("0.25", "7.75", "60.00")


_ENTRIES = st.lists(
    st.tuples(st.floats(-1e5, 1e5), st.floats(1e-6, 1.0), st.floats(1e-6, 1.0)).map(
        lambda drawn: Entry(
            drawn[0], drawn[0] - drawn[1] * (abs(drawn[0]) + 1.0), drawn[0] + drawn[2] * (abs(drawn[0]) + 1.0)
        )
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=300, deadline=None)
@given(entries=_ENTRIES)
def test_columns_hold_their_law(entries: list[Entry]) -> None:
    """No exponent, no negative zero; every interval contains the estimated one; each number that is told from zero has
    two significant digits and reads back within half a unit of its last digit; within three decades the decimals are
    the same."""
    cells = column(entries, BARE)
    told = [e for e in entries if abs(e.value) >= 0.05 * (e.high - e.low) and e.value != 0.0]
    for entry, cell in zip(entries, cells, strict=True):
        low, _, high = cell.interval.partition(" to ")
        for text in (cell.value, low, high):
            assert re.fullmatch(r"-?\d+(\.\d+)?", text)
            assert not re.fullmatch(r"-0(\.0+)?", text)
        slack = 1e-9 * max(abs(entry.low), abs(entry.high))
        assert float(low) <= entry.low + slack
        assert float(high) >= entry.high - slack
        if entry in told:
            assert len(cell.value.lstrip("-").replace(".", "").lstrip("0")) >= 2
            assert abs(float(cell.value) - entry.value) <= 0.05001 * abs(entry.value)
    sizes = [math.floor(math.log10(abs(e.value))) for e in told]
    if sizes and max(sizes) - min(sizes) <= 3:
        assert len({decimals(cell.value) for cell in cells}) == 1


@settings(max_examples=100, deadline=None)
@given(shares=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=5), half=st.floats(1e-5, 0.2))
def test_a_share_below_one_never_reads_one(shares: list[float], half: float) -> None:
    """A yield that misses 100 % by more than rounding errors reads less."""
    entries = [Entry(p, max(0.0, p - half), min(1.0, p + half)) for p in shares]
    for entry, cell in zip(entries, share_column(entries, POINTS), strict=True):
        assert float(cell.value) < 100.0 or entry.value > 1.0 - 1e-9
