"""Reading bench data from CSV or a pandas frame."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import union_categoricals

from margin.bench.data import flags as flagging
from margin.bench.data.columns import LABELS, SERIES, Output
from margin.bench.data.counted import counted
from margin.bench.data.layout import Stated
from margin.bench.data.lines import repeated_columns
from margin.bench.data.mapping import RUN_IS_LOADING, ColumnMapping
from margin.bench.data.mapping_file import statements
from margin.bench.data.notice import Notice
from margin.bench.data.parse import categories, check_header, missing_notes, parse, unknown_columns
from margin.bench.data.sequence import branches
from margin.bench.data.table import is_canonical, mapped_frame, open_table
from margin.bench.data.wanted import Wanted
from margin.bench.errors import BenchDataError, Fault

CHUNK_ROWS = 100_000
TEXT = (*LABELS, "run", "branch")


@dataclass(frozen=True)
class BenchData:
    """Readings of a bench, with what was assumed and what looks doubtful.

    frame     one row a reading, all rows of the file: line (in the file), lot, sensor, mounting, circuit,
              interface, run, branch ('up' or 'down'), time_s (NaN where not given), load_N,
              temperature_degC, output (in `unit`); label columns are categories
    notes     what was assumed for missing columns, what was converted, what was set aside
    flags     one row a doubtful reading: line, kind, reason (kinds: margin.bench.data.flags.KINDS)
    quantity  'voltage', 'code', 'conductance', 'ratio' or 'output'
    unit      of the output: 'V', 'count', 'S', 'mV/V' or as given
    source    file the data came from, or 'frame'
    """

    frame: pd.DataFrame
    notes: tuple[str, ...]
    flags: pd.DataFrame
    quantity: str
    unit: str
    source: str

    def usable(self, without: Sequence[str] = flagging.SET_ASIDE) -> pd.DataFrame:
        """Rows of `frame` with no flag of the kinds in `without`; how many those are stands in `notes`."""
        lines = self.flags.loc[self.flags["kind"].isin(list(without)), "line"]
        return self.frame[~self.frame["line"].isin(lines)]

    def converted(
        self,
        conversions: Mapping[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]],
        quantity: str,
        unit: str,
    ) -> BenchData:
        """The same readings as another quantity: one function a circuit, output in, new output out.

        Typically from a voltage to the sensor's conductance by the ideal equation of each circuit. A value
        that the function turns into none (outside the circuit's range) is flagged 'not a number'.
        Raises BenchDataError where a circuit of the data has no function.
        """
        frame = self.frame.copy()
        values = frame["output"].to_numpy(dtype=float, copy=True)
        lacking = [str(c) for c in frame["circuit"].unique() if str(c) not in conversions]
        if lacking:
            why = f"no conversion to {quantity} is given for circuit(s) {', '.join(lacking)}"
            fault = Fault(self.source, None, "circuit", None, why, "Name a function for each circuit.")
            raise BenchDataError([fault])
        for circuit, convert in conversions.items():
            chosen = (frame["circuit"] == circuit).to_numpy()
            with np.errstate(divide="ignore", invalid="ignore"):
                values[chosen] = convert(values[chosen])
        frame["output"] = np.where(np.isfinite(values), values, np.nan)
        note = f"output turned from {self.quantity} ({self.unit}) into {quantity} ({unit})"
        lost = frame.loc[frame["output"].isna() & self.frame["output"].notna(), "line"]
        added = pd.DataFrame(
            {"line": lost, "kind": "not a number", "reason": f"no {quantity} belongs to this {self.quantity}"}
        )
        flags = pd.concat([self.flags, added]) if len(added) else self.flags
        flags = flags.sort_values("line", kind="stable").reset_index(drop=True)
        return dataclasses.replace(
            self, frame=frame, flags=flags, notes=(*self.notes, note), quantity=quantity, unit=unit
        )

    def summary(self) -> pd.DataFrame:
        """Usable readings by label, run, branch and load: count, mean, sd, smallest and largest output."""
        groups = self.usable().groupby([*SERIES, "branch", "load_N"], observed=True, sort=False)["output"]
        return groups.agg(["count", "mean", "std", "min", "max"]).reset_index()


def read_bench(
    source: str | Path | pd.DataFrame,
    output_unit: str | None = None,
    chunk_rows: int = CHUNK_ROWS,
    *,
    wanted: Wanted | None = None,
    stated: Stated | None = None,
) -> BenchData:
    """Read bench data from a text file, a spreadsheet (.xlsx) or a frame, columns in any order.

    The bench's own columns are

    load_N            applied load, N (required)
    exactly one of    voltage_V, code, resistance_ohm, conductance_S, ratio_mV_per_V, output
    output_unit       column (one value) or argument, with `output` only
    lot, sensor, mounting, circuit, interface    labels; default '1' or 'unstated'
    run               load cycle of a mounting; default: counted from the order of the loads
    branch            'up' or 'down'; default: found from the order of the loads
    time_s            s, from the start of the run (of the hold, for drift); default: unknown
    temperature_degC  default 25

    Any other header is mapped onto these by its names and units, or as stated; `notes` lists what was taken for what.

    output_unit  of readings whose column states none
    wanted       what is stated of the columns (`margin.bench.data.wanted.Wanted`)
    stated       what is stated of the file: sheet, separator, decimal sign, encoding; without either, what
                 DATA.columns.toml beside the data states (`margin.bench.data.mapping_file`)

    Lines that start with '#' and empty lines are passed over. Encoding, separator (',', ';', tab) and decimal sign are
    found from the file. A resistance is turned into a conductance. The file is read in chunks of `chunk_rows` rows
    and labels are kept as categories: the frame takes about 60 bytes a row, reading and flagging it
    some 300 at their peak.

    Raises BenchDataError with every fault found: file, line, column, value, why, remedy.
    """
    if stated is None and wanted is None:
        stated, wanted = statements(source, output_unit=output_unit)
    stated, wanted = stated or Stated(), wanted or Wanted()
    output_unit = output_unit or wanted.output_unit
    wanted = dataclasses.replace(wanted, output_unit=output_unit)
    mapping: ColumnMapping | None = None
    said, comments = tuple[str, ...](), tuple[str, ...]()
    if isinstance(source, pd.DataFrame):
        name, header = "frame", [str(column) for column in source.columns]
        if source.empty:
            fault = Fault(name, None, None, None, "there are no readings", "Give at least one row.")
            raise BenchDataError([*check_header(header, name)[1], fault])
        frame, first = source.rename(columns=str), 0
        if wanted.any or not is_canonical(tuple(header)):
            (frame, mapping), first = mapped_frame(source, wanted), 1
            header, said = list(mapping.header), mapping.notes
        numbered = np.arange(first, len(source) + first, dtype=np.int64)
        chunks: Iterator[tuple[pd.DataFrame, NDArray[np.int64]]] = iter([(frame, numbered)])
        repeated = list[Fault]()
    else:
        table = open_table(Path(source), stated, wanted)
        name, header, said, mapping = table.name, list(table.header), table.notes, table.mapping
        repeated = repeated_columns(table.layout.repeated, name) if mapping is None else []
        chunks, comments = table.chunks(chunk_rows)
    output, faults = check_header(header, name)
    faults += repeated
    if output is None or faults:
        raise BenchDataError(faults)
    frame, units = _gather(chunks, output, name, mapping)
    unit = stated_unit(output, output_unit if mapping is None else None, units, name, mapping)
    notes = [*said, *reading_notes(header, comments, output, mapping)]
    frame = completed(frame, "run" in header)
    flags = flagging.flag(frame)
    if mapping is not None and mapping.wide is not None and len(flags):
        flags = _placed(flags, mapping)
    notes += [
        Notice(
            f"{counted(int((flags['kind'] == kind).sum()), 'reading')} flagged '{kind}'"
            + (", set aside" if kind in flagging.SET_ASIDE else ", kept")
        )
        for kind in flagging.KINDS
        if (flags["kind"] == kind).any()
    ]
    return BenchData(frame, tuple(notes), flags, output.quantity, unit, name)


def mapped(
    raw: pd.DataFrame, lines: NDArray[np.int64], output: Output, name: str, mapping: ColumnMapping | None
) -> tuple[pd.DataFrame, list[Fault]]:
    """A chunk of raw columns as the frame of `BenchData`, with its faults by their place in the file."""
    if mapping is None:
        return parse(raw, lines, output, name)
    table, numbered, unread = mapping.apply(raw, lines, name)
    frame, wrong = parse(table, numbered, output, name)
    return frame, [*unread, *map(mapping.in_file, wrong)]


def _placed(flags: pd.DataFrame, mapping: ColumnMapping) -> pd.DataFrame:
    """Flags of a wide table with line and column of the file in the reason."""
    places = [mapping.place_of(int(line)) for line in flags["line"]]
    told = [
        f"{why} (line {line}, column '{column}')"
        for why, (line, column) in zip(flags["reason"], places, strict=True)
    ]
    return flags.assign(reason=told)


def _gather(
    chunks: Iterator[tuple[pd.DataFrame, NDArray[np.int64]]],
    output: Output,
    name: str,
    mapping: ColumnMapping | None,
) -> tuple[pd.DataFrame, set[str]]:
    parts: list[pd.DataFrame] = []
    faults: list[Fault] = []
    units: set[str] = set()
    for raw, lines in chunks:
        part, wrong = mapped(raw, lines, output, name, mapping)
        parts.append(part)
        faults.extend(wrong)
        if mapping is None and "output_unit" in raw:
            units.update(str(unit).strip() for unit in raw["output_unit"].dropna().unique())
    if faults:
        raise BenchDataError(faults)
    joined = {
        column: union_categoricals([part[column] for part in parts])
        if column in TEXT
        else np.concatenate([part[column].to_numpy() for part in parts])
        for column in parts[0].columns
    }
    frame = pd.DataFrame(joined)
    if frame.empty:
        fault = Fault(name, None, None, None, "there are no readings", "Fill in the cells of the readings.")
        raise BenchDataError([fault])
    return frame, units


def reading_notes(
    header: Sequence[str], comments: Sequence[str], output: Output, mapping: ColumnMapping | None = None
) -> list[str]:
    """What the file says of itself, what is assumed for columns it lacks, what is converted."""
    notes = [*(Notice(f"file says: {comment}") for comment in comments), *missing_notes(header)]
    if mapping is None:
        notes += [f"column '{column}' is not read" for column in unknown_columns(header)]
        notes += [Notice(f"'run' {RUN_IS_LOADING}")] if "run" in header else []
    if output.column == "resistance_ohm":
        notes.append("resistance turned into conductance: output = 1 / resistance_ohm, in S")
    return notes


def stated_unit(
    output: Output, argument: str | None, column: set[str], name: str, mapping: ColumnMapping | None = None
) -> str:
    """Unit of the output: the column's own, or the one stated by argument or column; else BenchDataError."""
    if mapping is not None and output.column == "output":
        argument = mapping.output_unit
    stated = column | ({argument} if argument is not None else set())
    if output.column != "output":
        if stated - {output.unit}:
            why = f"'{output.column}' has the unit {output.unit}, another is stated"
            mend = "Leave output_unit out, or name the column 'output'."
            raise BenchDataError([Fault(name, None, "output_unit", ", ".join(sorted(stated)), why, mend)])
        return output.unit
    if len(stated) != 1:
        why = f"the unit of 'output' must be stated once, it is stated {len(stated)} times"
        mend = "Give output_unit as an argument or as a column with one value."
        value = ", ".join(sorted(stated)) or None
        raise BenchDataError([Fault(name, None, "output_unit", value, why, mend)])
    return next(iter(stated))


def completed(frame: pd.DataFrame, has_runs: bool) -> pd.DataFrame:
    """Fill in branch and run from the order of the loads, one series at a time."""
    if has_runs and frame["branch"].notna().all():
        return frame
    keys = list(SERIES if has_runs else SERIES[:-1])
    runs = frame["run"].astype(str).to_numpy(dtype=object, copy=True)
    codes = frame["branch"].cat.codes.to_numpy(copy=True)
    loads = frame["load_N"].to_numpy(dtype=float)
    finite = loads[np.isfinite(loads)]
    resolution = 1e-3 * float(np.ptp(finite)) if finite.size else 0.0
    for rows in frame.groupby(keys, observed=True, sort=False).indices.values():
        known = rows[np.isfinite(loads[rows])]
        descending, run = branches(loads[known], resolution)
        unknown = codes[known] < 0
        codes[known[unknown]] = descending[unknown]
        codes[rows] = np.where(codes[rows] < 0, 0, codes[rows])
        if not has_runs:
            runs[known] = run.astype(str)
            runs[np.setdiff1d(rows, known)] = "1"
    return frame.assign(
        run=pd.Categorical(runs),
        branch=categories(codes, ["up", "down"]),
    )
