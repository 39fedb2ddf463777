"""From the names in a laboratory's table, and what is stated of them, to a mapping; questions where it is open."""

from __future__ import annotations

import re
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace

from margin.bench.data.cells import one_number
from margin.bench.data.column_units import UNITS, conversion, kind_of
from margin.bench.data.layout import SAMPLE_LINES
from margin.bench.data.mapping import CANONICAL, RUN_IS_LOADING, ColumnMapping, Taken, Wide, said_of
from margin.bench.data.named import Named, named_columns
from margin.bench.data.notice import Notice
from margin.bench.data.side_by_side import find_wide, readings_beside
from margin.bench.data.vocabulary import (
    LABEL_FIELDS,
    NOMINAL_LOAD,
    OUTPUT_FIELDS,
    PREFERRED_LOAD,
    bare,
    branch_of,
    is_ambiguous,
    words_of,
)
from margin.bench.data.wanted import Resolved, Wanted
from margin.bench.errors import BenchDataError, Fault
from margin.case.units import UnitError

ALIASES = {"direction": "branch", "force": "load", "unit": "sensor", "ignore": "ignored"}
SHOWN_COLUMNS = 12
DEFAULT_UNITS = {"time": "s", "temperature": "degC", "code": "count"}


def resolve(
    file: str,
    header: Sequence[str],
    units: Sequence[str],
    sample: Sequence[Sequence[str]],
    decimal: str,
    wanted: Wanted,
    repeated: Sequence[str] = (),
) -> ColumnMapping:
    """The mapping of a table; BenchDataError with every question that is open."""
    found = propose(file, header, units, sample, decimal, wanted, repeated)
    if found.mapping is None or found.questions:
        raise BenchDataError(found.questions)
    return found.mapping


def propose(
    file: str,
    header: Sequence[str],
    units: Sequence[str],
    sample: Sequence[Sequence[str]],
    decimal: str,
    wanted: Wanted,
    repeated: Sequence[str] = (),
) -> Resolved:
    """What the columns of a table are taken for, and the questions that only the user can answer.

    header  names, each different; units of a line below the header, or ()
    sample  cells of the first rows, as text
    """
    return _Resolver(file, named_columns(header, units, sample), sample, decimal, wanted, repeated).run()


class _Resolver:
    def __init__(
        self,
        file: str,
        named: dict[str, Named],
        sample: Sequence[Sequence[str]],
        decimal: str,
        wanted: Wanted,
        repeated: Sequence[str],
    ) -> None:
        self.file, self.named, self.sample, self.decimal, self.wanted = file, named, sample, decimal, wanted
        self.repeated = repeated
        self.place = {name: index for index, name in enumerate(named)}
        self.taken: dict[str, Taken] = {}
        self.ignored: list[str] = []
        self.questions: list[Fault] = []
        self.notes: list[str] = []

    def run(self) -> Resolved:
        output = self.stated()
        wide = self.stated_wide()
        beside = set(wide.columns) if wide else set()
        if wide is None and output is None and not self.wanted.wide:
            found = find_wide(self.free(beside), set(self.taken), self.wanted.output_unit)
            if isinstance(found, Wide):
                wide, beside = found, set(found.columns)
            elif found is not None:
                self.ask(None, ", ".join(found.columns[:4]), found.why, found.mend)
                beside = set(found.columns)
        self.labels(beside, wide)
        self.conditions(beside)
        if "load" not in self.taken and not (wide and wide.over == "load"):
            self.load(beside)
        if wide is not None:
            output = self.wide_output(wide)
            wide = replace(wide, units=tuple(unit or self.wanted.output_unit or "" for unit in wide.units))
        elif output is None and not beside:
            output = self.output(beside)
        self.levels(beside)
        for name in self.repeated:
            again = [
                each
                for each in self.named
                if each == name or re.fullmatch(re.escape(name) + r" \(\d+\)", each)
            ]
            if any(taken.column in again for taken in self.taken.values()):
                self.ask(name, None, "the column appears twice in the header", "Rename or remove one.")
        if output is None:
            return Resolved(None, tuple(self.questions))
        mapping = ColumnMapping(
            dict(self.taken), output, wide, self.decimal, self.general_unit(output, wide), tuple(self.ignored)
        )
        unread = [name for name in self.named if name not in mapping.used]
        stated = f"columns as stated in {self.wanted.origin}"
        notes: list[str] = [Notice(stated)] if self.wanted.origin else []
        notes += [*said_of(mapping), *self.notes]
        if "run" in self.taken or (wide and wide.over == "run"):
            name = (self.taken["run"].column if "run" in self.taken else None) or "run"
            notes.append(Notice(f"'{name}' {RUN_IS_LOADING}"))
        notes += [f"column '{name}' is not read" for name in [*unread, *self.ignored]]
        return Resolved(replace(mapping, notes=tuple(notes)), tuple(self.questions))

    def general_unit(self, output: str, wide: Wide | None) -> str | None:
        """Unit of readings that are no quantity of their own name; a question where none is stated."""
        if output != "output":
            return None
        own = "" if wide is not None else self.taken["output"].unit
        unit = own or self.wanted.output_unit
        if unit is None:
            column = None if wide is not None else self.taken["output"].column
            mend = (
                "State it: --output-unit mV (or kohm, uS, mV/V, count, any other for figures of merit alone)."
            )
            if "output_unit" in self.place:
                # a unit for each reading is read only among the tool's own column names
                mend += " A column 'output_unit' is read only beside a column 'load_N'."
            self.ask(column, None, "the unit of the readings is not stated", mend)
        return unit

    def free(self, beside: AbstractSet[str] = frozenset()) -> list[Named]:
        """Columns that nothing is known of yet."""
        gone = {taken.column for taken in self.taken.values()} | set(self.ignored) | beside
        return [each for each in self.named.values() if each.name not in gone]

    def ask(self, column: str | None, value: str | None, why: str, mend: str) -> None:
        self.questions.append(Fault(self.file, None, column, value, why, mend))

    # what the user states

    def stated(self) -> str | None:
        """Take in what is stated; the field of the output where it is."""
        output: str | None = None
        for name in self.wanted.ignored:
            found = self.column(name)
            if found is None:
                self.no_column("ignored", name)
            else:
                self.ignored.append(found)
        for given, text in self.wanted.columns.items():
            name = ALIASES.get(given, given)
            name = next((each for each, column in CANONICAL.items() if column == name), name)
            if name not in CANONICAL:
                why = f"'{given}' is not something that a bench has"
                self.ask(None, f"{given}={text}", why, f"Name one of {', '.join(CANONICAL)}, or ignored.")
                continue
            taken = self.take(name, text.strip())
            if taken is None:
                continue
            if name in OUTPUT_FIELDS:
                kind = kind_of(taken.unit) if name == "output" and taken.unit else None
                name = kind if kind is not None and kind in OUTPUT_FIELDS else name
                if output is not None:
                    mend = f"Keep one of {', '.join(OUTPUT_FIELDS)}."
                    self.ask(taken.column, None, "a second output of the sensor is stated", mend)
                    continue
                output = name
            self.taken[name] = taken
        return output

    def take(self, name: str, text: str) -> Taken | None:
        """Where a field is taken from as stated; None with a question where that cannot be."""
        if text.startswith("="):
            return self.constant(name, text[1:].strip())
        column, unit = self.column(text), ""
        if column is None:
            match = re.match(r"^(.*\S)\s+in\s+(\S.*)$", text)
            column = None if match is None else self.column(match[1])
            unit = "" if match is None else match[2].strip()
        if column is None:
            self.no_column(name, text)
            return None
        return self.with_unit(name, self.named[column], unit)

    def constant(self, name: str, text: str) -> Taken | None:
        found = one_number(text, "," if "," in text else ".")
        if name in UNITS and found is not None and kind_of(found[1]) == name:
            return Taken(None, found[1], f"{found[0]!r} {found[1]}")
        if name not in UNITS and text:
            return Taken(None, "", text)
        example = f"= 5 {UNITS[name]}" if name in UNITS else "= A"
        self.ask(None, f"{name}= {text}", f"not a value of {name}", f'Write {name}="{example}".')
        return None

    def with_unit(self, name: str, column: Named, unit: str) -> Taken | None:
        """A column with its unit: the stated one, else that of its name, of its cells, of the output."""
        if name not in UNITS:
            return Taken(column.name, unit or (column.unit if name == "output" else ""))
        if not unit:
            unit = column.unit if column.kind == name else ""
        if not unit and name in OUTPUT_FIELDS and self.wanted.output_unit:
            unit = self.wanted.output_unit
        if not unit and not self.own_units(column, name):
            if name not in DEFAULT_UNITS:
                example = (
                    "kg" if name == "load" else {"voltage": "mV", "resistance": "kohm"}.get(name, UNITS[name])
                )
                why = f"the unit of {name} is not stated"
                self.ask(column.name, None, why, f'State it: --column {name}="{column.name} in {example}".')
                return None
            unit = DEFAULT_UNITS[name]
            if name != "code":
                self.notes.append(Notice(f"{name} read in {unit}: '{column.name}' states no unit"))
        try:
            if unit:
                conversion(name, unit)
        except UnitError as error:
            self.ask(column.name, unit, f"{error}", f"Write a unit of {name}, such as {UNITS[name]}.")
            return None
        return Taken(column.name, unit)

    def own_units(self, column: Named, name: str) -> bool:
        """Whether the first cells carry a unit of their own."""
        cells = [row[self.place[column.name]] for row in self.sample if len(row) > self.place[column.name]]
        found = [one for cell in cells if (one := one_number(cell, self.decimal)) is not None]
        return bool(found) and all(unit and kind_of(unit) == name for _, unit in found)

    def column(self, text: str) -> str | None:
        """Column of that name; capitals and blanks do not count where only one fits."""
        if text in self.named:
            return text
        like = [
            name
            for name in self.named
            if " ".join(name.casefold().split()) == " ".join(text.casefold().split())
        ]
        return like[0] if len(like) == 1 else None

    def no_column(self, name: str, text: str) -> None:
        names = ", ".join(map(repr, list(self.named)[:SHOWN_COLUMNS]))
        more = f" and {len(self.named) - SHOWN_COLUMNS} more" if len(self.named) > SHOWN_COLUMNS else ""
        self.ask(None, f"{name}={text}", "there is no such column", f"The file has {names}{more}.")

    def stated_wide(self) -> Wide | None:
        stated = self.wanted.wide
        if stated is None:
            return None
        found = readings_beside(
            stated.over, stated.unit, stated.columns, stated.values, self.free(), self.column
        )
        if isinstance(found, Wide):
            return found
        self.ask(None, ", ".join(found.columns[:4]) or stated.over, found.why, found.mend)
        return None

    # what the names tell

    def labels(self, beside: set[str], wide: Wide | None) -> None:
        for name in LABEL_FIELDS:
            if name in self.taken or (wide and wide.over == name):
                continue
            there = [each for each in self.free(beside) if each.field == name and each.kind is None]
            exact = [
                each
                for each in there
                if bare(each.stem) in (name, CANONICAL[name]) or len(bare(each.stem).split()) == 1
            ]
            there = exact if len(exact) == 1 else there
            if name == "branch":
                there = [each for each in there if self.is_branch(each)]
            if len(there) == 1:
                self.taken[name] = Taken(there[0].name)
            elif there:
                names = ", ".join(f"'{each.name}'" for each in there)
                why = f"{names} may each be the {name}, which decides the level that a spread counts for"
                self.ask(
                    None,
                    None,
                    why,
                    f'State it: --column {name}="{there[0].name}", and the others as ignored.',
                )

    def is_branch(self, column: Named) -> bool:
        cells = {
            row[self.place[column.name]].strip() for row in self.sample if len(row) > self.place[column.name]
        }
        return all(branch_of(cell) is not None for cell in cells if cell)

    def conditions(self, beside: set[str]) -> None:
        for name in ("time", "temperature"):
            there = [each for each in self.free(beside) if each.field == name]
            numeric = [each for each in there if each.numeric]
            if name in self.taken or not there:
                continue
            if not numeric:
                self.notes.append(f"'{there[0].name}' contains no numbers: {name} is not read")
                continue
            taken = self.with_unit(name, numeric[0], "")
            if taken is not None:
                self.taken[name] = taken

    def load(self, beside: set[str]) -> None:
        there = [each for each in self.free(beside) if each.field == "load"]
        numeric = [each for each in there if each.numeric] or there
        if len(numeric) > 1:
            measured = [each for each in numeric if PREFERRED_LOAD & set(words_of(each.stem))]
            other = [each for each in numeric if not NOMINAL_LOAD & set(words_of(each.stem))]
            numeric = measured if len(measured) == 1 else other if len(other) == 1 else numeric
        if len(numeric) > 1:
            names = ", ".join(f"'{each.name}'" for each in numeric)
            mend = f'State the reference load: --column load="{numeric[0].name}".'
            self.ask(None, None, f"{names} may each be the applied load", mend)
        elif numeric:
            taken = self.with_unit("load", numeric[0], "")
            if taken is not None:
                self.taken["load"] = taken
        else:
            name = next((each.name for each in self.free(beside) if each.numeric), "COLUMN")
            mend = f'State its column, such as --column load="{name} in N", or the one load of all readings, such as '
            self.ask("load", None, "no column is read as the applied load", mend + '--column load="= 5 N".')

    def some_name(self) -> str:
        return next((each.name for each in self.free() if each.numeric), next(iter(self.named)))

    def output(self, beside: set[str]) -> str | None:
        there = [each for each in self.free(beside) if each.field in OUTPUT_FIELDS]
        numeric = [each for each in there if each.numeric] or there
        if len(numeric) > 1:
            with_unit = [each for each in numeric if each.kind in OUTPUT_FIELDS]
            numeric = with_unit if len(with_unit) == 1 else numeric
        if len(numeric) != 1:
            names = ", ".join(f"'{each.name}'" for each in numeric)
            why = (
                f"{names} may each be the sensor's output"
                if names
                else "no column is read as the sensor's output"
            )
            name = numeric[0].name if numeric else self.some_name()
            example = "voltage" if not numeric or numeric[0].field is None else numeric[0].field
            unit = "" if numeric and numeric[0].unit else " in mV"
            mend = (
                f'State it, such as --column {example}="{name}{unit}" (or one of {", ".join(OUTPUT_FIELDS)}).'
            )
            self.ask(None if names else "output", None, why, mend)
            return None
        column, name = numeric[0], str(numeric[0].field)
        stated = kind_of(self.wanted.output_unit) if self.wanted.output_unit else None
        if name == "output" and stated in OUTPUT_FIELDS:
            name = str(stated)
        taken = self.with_unit(name, column, "")
        if taken is None:
            return None
        self.taken[name] = taken
        return name

    def wide_output(self, wide: Wide) -> str | None:
        kinds = {kind_of(unit or self.wanted.output_unit or "") for unit in wide.units}
        if len(kinds) == 1 and (kind := kinds.pop()) in OUTPUT_FIELDS:
            return str(kind)
        if all(not unit for unit in wide.units) and self.wanted.output_unit:
            return "output"
        units = ", ".join(dict.fromkeys(unit or "none" for unit in wide.units))
        why = (
            "the unit of the readings side by side is not stated"
            if units == "none"
            else "readings in several units"
        )
        mend = "State what they are: --output-unit mV (or kohm, uS, mV/V, count)."
        self.ask(None, f"{', '.join(wide.columns[:4])}: {units}", why, mend)
        return None

    def levels(self, beside: set[str]) -> None:
        """Ask what a column is whose name may mean a part, a mounting or a loading."""
        for each in self.free(beside):
            if not is_ambiguous(each.stem) or each.kind is not None or each.field in LABEL_FIELDS:
                continue
            cells = [row[self.place[each.name]] for row in self.sample if len(row) > self.place[each.name]]
            whole = len(self.sample) < SAMPLE_LINES
            if whole and (len(set(cells)) == 1 or (len(set(cells)) == len(cells) and each.numeric)):
                continue
            own = [name for name in ("sensor", "mounting", "run") if name not in self.taken]
            choices = " or ".join(f'--column {name}="{each.name}"' for name in own) or "name"
            why = (
                "may say that another part was taken (sensor), that the part was mounted anew (mounting) or only "
                "loaded again (run): it decides the level that this spread counts for"
            )
            self.ask(each.name, None, why, f'State it: {choices}, or --column ignored="{each.name}".')
