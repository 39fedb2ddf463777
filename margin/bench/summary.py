"""A bench file of any length condensed to means, in memory bounded by the plan of the bench."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data import flags as flagging
from margin.bench.data.columns import SERIES, Output
from margin.bench.data.condense import Condenser, Doubtful
from margin.bench.data.counted import counted
from margin.bench.data.layout import Stated
from margin.bench.data.lines import repeated_columns
from margin.bench.data.mapping_file import statements
from margin.bench.data.notice import Notice
from margin.bench.data.parse import check_header
from margin.bench.data.pool import pooled
from margin.bench.data.read import BenchData, completed, mapped, reading_notes, stated_unit
from margin.bench.data.stays import stays_of
from margin.bench.data.steps import LoadSteps
from margin.bench.data.stream import KEPT_COMMENTS, BadRows, tolerant_chunks
from margin.bench.data.suspects import without_saturated, without_stuck
from margin.bench.data.table import Table, open_table
from margin.bench.data.wanted import Wanted
from margin.bench.data.weights import readings
from margin.bench.errors import BenchDataError, Fault

CHUNK_ROWS = 50_000

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CondensedBench(BenchData):
    """A bench whose readings are condensed: `frame` has one row a stay at one load (of a hold, several).

    frame        as of `BenchData`, line being that of the first reading, with the columns of
                 `margin.bench.data.weights` and step, the load point within the setup
    flags        kept kinds only, 'out of order in time' at most 100 times
    read         readings of the file, bad rows not counted
    flag_counts  kind -> how many readings
    bad_rows     rows that could not be read and are left out
    faults       the first 100 of them
    """

    read: int
    flag_counts: dict[str, int]
    bad_rows: int
    faults: tuple[Fault, ...]

    def converted(
        self, conversions: Mapping[str, Callable[[Array], Array]], quantity: str, unit: str
    ) -> CondensedBench:
        """As of `BenchData`, of the means; the scatter inside them is multiplied by the local slope.

        f(mean) for the mean of f: apart by f'' s^2 / 2, with s the scatter of readings within a stay.
        """
        found = super().converted(conversions, quantity, unit)
        values, slope = self.frame["output"].to_numpy(dtype=float), np.zeros(len(self.frame))
        for circuit, convert in conversions.items():
            chosen = (self.frame["circuit"] == circuit).to_numpy()
            at = values[chosen]
            step = 1e-5 * np.maximum(np.abs(at), 1e-3 * np.abs(values).max(initial=0.0))
            with np.errstate(divide="ignore", invalid="ignore"):
                slope[chosen] = (convert(at + step) - convert(at - step)) / (2 * step)
        slope = np.where(np.isfinite(slope), slope, 0.0)
        squares, products = self.frame["squares"] * slope**2, self.frame["products"] * slope
        frame = found.frame.assign(squares=squares, products=products)
        return dataclasses.replace(
            self, frame=frame, flags=found.flags, notes=found.notes, quantity=quantity, unit=unit
        )

    def summary(self) -> pd.DataFrame:
        """Usable readings by label, run, branch and load: count, mean and sd of the output."""
        frame = self.usable()
        keys = [*SERIES, "branch", "load_N"]
        number = frame.groupby(keys, observed=True, sort=False).ngroup().to_numpy()
        weight, output = readings(frame), frame["output"].to_numpy(dtype=float)
        count = np.bincount(number, weight)
        mean = np.bincount(number, weight * output) / count
        inside = np.bincount(number, frame["squares"] + weight * (output - mean[number]) ** 2)
        sd = np.sqrt(np.where(count > 1, inside / np.maximum(count - 1, 1), np.nan))
        table = frame[keys].drop_duplicates().reset_index(drop=True)
        return table.assign(count=count.astype(np.int64), mean=mean, std=sd)


def condense_bench(
    source: str | Path,
    output_unit: str | None = None,
    chunk_rows: int = CHUNK_ROWS,
    *,
    wanted: Wanted | None = None,
    stated: Stated | None = None,
) -> CondensedBench:
    """Read a bench file of any length into means of stays; files, columns and arguments as of `read_bench`.

    A stay is what was read at one load point of one branch, one reading after the other in its series. Kept of
    each are number of readings, means and sums of squares; of a hold its first and last reading and means over
    1/20 decade of time. `figures_of_merit`, `spreads_of` and `fit_sensor` (counts, squares) take it as they take
    single readings and find the same where the readings of a stay are averaged anyway.

    The file is read twice, `chunk_rows` lines at a time: memory grows with the number of stays, not of readings.
    Rows that cannot be read are left out and counted, the first 100 kept with line and reason. What differs from
    `read_bench`: a duplicate is found only next to its original, a stuck output only over whole stays.

    Raises BenchDataError for a file that is missing or damaged, without the needed columns or without a row that
    can be read.
    """
    if stated is None and wanted is None:
        stated, wanted = statements(source, output_unit=output_unit)
    stated, wanted = stated or Stated(), wanted or Wanted()
    output_unit = output_unit or wanted.output_unit
    wanted = dataclasses.replace(wanted, output_unit=output_unit)
    table = open_table(Path(source), stated, wanted)
    output, faults = check_header(table.header, table.name)
    if table.mapping is None:
        faults = [*faults, *repeated_columns(table.layout.repeated, table.name)]
    if output is None or faults:
        raise BenchDataError(faults)
    return _condensed(table, output, output_unit, chunk_rows)


def _condensed(table: Table, output: Output, output_unit: str | None, chunk_rows: int) -> CondensedBench:
    name = table.name
    steps = LoadSteps()
    place = tuple(column for column in ("circuit", "interface", "load_N") if column in table.header)
    for frame, _ in _readable(table, output, chunk_rows, BadRows(), place if table.mapping is None else None):
        steps.meet(_setup(frame), frame["load_N"].to_numpy(dtype=float))
    steps.close()
    bad, units = BadRows(), set[str]()
    condenser = Condenser(steps)
    for frame, stated in _readable(table, output, chunk_rows, bad):
        condenser.take(frame)
        units |= stated
    pieces = condenser.finish()
    if pieces.empty:
        why = Fault(name, None, None, None, "the file has no readings that can be used", "Export them again.")
        raise BenchDataError([*bad.faults, why])
    unit = stated_unit(output, output_unit if table.mapping is None else None, units, name, table.mapping)
    doubtful = condenser.doubtful
    labels = pd.DataFrame(list(condenser.names), columns=list(SERIES))
    pieces = without_saturated(pieces, labels["circuit"].to_numpy()[pieces["series"]], doubtful)
    if pieces.empty:
        same = "all readings are the same, at several loads: the output is saturated or not connected"
        raise BenchDataError(
            [Fault(name, None, None, None, same, "Check circuit and wiring, and read again.")]
        )
    pieces = without_stuck(pieces, doubtful)
    frame = _merged(_labelled(pieces, labels), "run" in table.header)
    flags = _flags(frame, doubtful)
    notes = [*table.notes]
    notes += reading_notes(table.header, table.layout.comments[:KEPT_COMMENTS], output, table.mapping)
    notes += _notes(doubtful.counts, bad, condenser.readings, len(frame))
    return CondensedBench(
        frame,
        tuple(notes),
        flags,
        output.quantity,
        unit,
        name,
        condenser.readings,
        doubtful.counts,
        bad.count,
        tuple(bad.faults),
    )


def _readable(
    table: Table, output: Output, chunk_rows: int, bad: BadRows, columns: tuple[str, ...] | None = None
) -> Iterator[tuple[pd.DataFrame, set[str]]]:
    """Frames of the chunks less their bad rows, and the units stated in them."""
    mapping = table.mapping
    for raw, lines in tolerant_chunks(table.layout, chunk_rows, bad, columns, as_text=mapping is not None):
        frame, faults = mapped(raw, lines, output, table.name, mapping)
        wrong = {fault.line for fault in faults}
        bad.add(faults, len(wrong))
        stated = set[str]()
        if mapping is None and "output_unit" in raw:
            stated = {str(unit).strip() for unit in raw["output_unit"].dropna().unique()}
        if wrong:
            across = 1 if mapping is None else mapping.across
            frame = frame[~((frame["line"] - 1) // across + 1).isin(wrong)]
        yield frame, stated


def _setup(frame: pd.DataFrame) -> pd.Series[str]:
    """What load points are found for: circuit and interface together."""
    both = frame["circuit"].astype(str).str.cat(frame["interface"].astype(str), sep="\n")
    return both.reset_index(drop=True)


def _labelled(pieces: pd.DataFrame, labels: pd.DataFrame) -> pd.DataFrame:
    """Pieces with their labels as categories, in the order of the file."""
    pieces = pieces.sort_values("line", kind="stable").reset_index(drop=True)
    named = {label: pd.Categorical(labels[label].to_numpy()[pieces["series"]]) for label in labels.columns}
    branch = pd.Categorical.from_codes(pieces["branch"].to_numpy(), pd.Index(["up", "down"]))
    return pieces.assign(**named, branch=branch)


def _merged(frame: pd.DataFrame, has_runs: bool) -> pd.DataFrame:
    """One row a stay but for holds, with runs and branches filled in."""
    frame = completed(frame, has_runs)
    stays = stays_of(frame, "step")
    series = frame.groupby([*SERIES, "branch"], observed=True, sort=False).ngroup().to_numpy()
    part = np.where(stays.hold, frame["part"].to_numpy(), 0)
    found = pooled(frame.assign(series=series, stay=stays.number, part=part), ["series", "stay", "part"])
    unneeded = ["series", "stay", "part", "lowest", "highest", "at_lowest", "at_highest"]
    return found.sort_values("line", kind="stable").drop(columns=unneeded).reset_index(drop=True)


def _flags(frame: pd.DataFrame, doubtful: Doubtful) -> pd.DataFrame:
    """Flags of the kinds that are kept."""
    first = list(flagging.first_cycles(frame.assign(load_N=frame["step"])))
    lines = np.array([line for line, _, _ in first], dtype=np.int64)
    if first:
        rows = frame["line"].isin(lines)
        doubtful.add("first cycle", lines, round(float(frame.loc[rows, "readings"].sum())))
    kind = "out of order in time"
    found = [
        *first,
        *((line, kind, "time goes back within its run") for line in doubtful.lines.get(kind, [])),
    ]
    flags = pd.DataFrame(found, columns=["line", "kind", "reason"])
    return flags.astype({"line": "int64"}).sort_values("line", kind="stable").reset_index(drop=True)


def _notes(counts: Mapping[str, int], bad: BadRows, read: int, rows: int) -> list[str]:
    notes: list[str] = [Notice(f"{counted(read, 'reading')} condensed into {counted(rows, 'mean')}")]
    notes += [
        Notice(
            f"{counted(counts[kind], 'reading')} flagged '{kind}'"
            + (", set aside" if kind in flagging.SET_ASIDE else ", kept")
        )
        for kind in flagging.KINDS
        if counts.get(kind)
    ]
    if bad.count:
        left_out = "is left out" if bad.count == 1 else "are left out, the first"
        unread = f"{counted(bad.count, 'row')} cannot be read and {left_out}: {bad.faults[0]}"
        notes.append(Notice(unread))
    return notes
