"""What is stated of a laboratory's file, kept in a small TOML file beside it.

[file]                          # all of it may be left out
sheet = "Messung"
separator = ";"
decimal = ","
encoding = "cp1252"
output_unit = "mV"              # of readings whose column states none

[columns]                       # field = column, the unit behind it where the name has none
load = "Kraft in kg"
voltage = "U (mV)"
sensor = "Muster"
temperature = "= 23 degC"       # a value that holds throughout
ignored = ["Bemerkung"]

[wide]                          # only where readings stand side by side
over = "load"
columns = ["0 N", "5 N"]
values = ["0 N", "5 N"]         # left out: as the names say
"""

from __future__ import annotations

import dataclasses
import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from margin.bench.data.layout import Layout, Stated
from margin.bench.data.mapping import CANONICAL, ColumnMapping
from margin.bench.data.wanted import Resolved, Wanted, WideStated
from margin.bench.errors import BenchDataError, Fault

_FILE_KEYS = ("sheet", "separator", "decimal", "encoding", "output_unit")
_WIDE_KEYS = ("over", "unit", "columns", "values")


def mapping_path(data: str | Path) -> Path:
    """Mapping that is taken without being named: DATA.columns.toml beside the data."""
    path = Path(data)
    return path.with_name(f"{path.stem}.columns.toml")


def read_mapping(path: Path) -> tuple[Stated, Wanted]:
    """What a mapping file states; BenchDataError with what is wrong in it."""
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise BenchDataError(
            [Fault(str(path), None, None, None, "there is no such file", "Check the path.")]
        ) from None
    except IsADirectoryError:
        raise BenchDataError(
            [Fault(str(path), None, None, None, "a folder, not a file", "Name the file.")]
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        mend = "Write it anew with --propose."
        raise BenchDataError([Fault(str(path), None, None, None, f"not TOML: {error}", mend)]) from None
    faults = list(_wrong(raw, str(path)))
    if faults:
        raise BenchDataError(faults)
    file, columns, wide = (dict(raw.get(table, {})) for table in ("file", "columns", "wide"))
    output_unit = file.pop("output_unit", None)
    ignored = tuple(columns.pop("ignored", ()))
    beside = None
    if wide:
        lists = [tuple(wide.get(key, ())) for key in ("columns", "values")]
        beside = WideStated(wide["over"], wide.get("unit", ""), *lists)
    return Stated(**file), Wanted(columns, ignored, beside, output_unit)


def statements(
    source: object,
    *,
    columns: Mapping[str, str | Sequence[str]] | None = None,
    mapping: str | Path | None = None,
    sheet: str | None = None,
    wide: str | None = None,
    output_unit: str | None = None,
) -> tuple[Stated, Wanted]:
    """What is stated of a file: by a mapping file, and by columns, sheet and layout that go before it.

    source   the data; DATA.columns.toml beside a file is taken where no mapping is named
    columns  field -> 'COLUMN', 'COLUMN in UNIT' or '= VALUE'; 'ignored' -> columns that are not read
    wide     'load', 'load in N', 'sensor', 'run', ...: what the readings side by side are one of
    """
    path = None if mapping is None else Path(mapping)
    if path is None and isinstance(source, str | Path) and mapping_path(source).is_file():
        path = mapping_path(source)
    stated, wanted = (Stated(), Wanted()) if path is None else read_mapping(path)
    given = dict(columns or {})
    left_out = given.pop("ignored", given.pop("ignore", ()))
    left_out = (left_out,) if isinstance(left_out, str) else tuple(left_out)
    texts = {name: text for name, text in given.items() if isinstance(text, str)}
    if len(texts) < len(given):
        name = next(name for name in given if name not in texts)
        raise ValueError(f"columns: {name!r} must be one text such as 'Kraft in kg' (got {given[name]!r})")
    kept = {name: text for name, text in wanted.columns.items() if text not in left_out}
    beside = wanted.wide
    if wide is not None:
        over, _, unit = wide.strip().partition(" in ")
        beside = WideStated(over.strip(), unit.strip())
    wanted = dataclasses.replace(
        wanted, columns={**kept, **texts}, ignored=(*wanted.ignored, *left_out), wide=beside,
        output_unit=output_unit or wanted.output_unit, origin="" if path is None else path.name,
    )  # fmt: skip
    return (stated if sheet is None else dataclasses.replace(stated, sheet=sheet)), wanted


def _wrong(raw: Mapping[str, Any], name: str) -> Iterator[Fault]:
    known = {"file": _FILE_KEYS, "columns": (*CANONICAL, "ignored"), "wide": _WIDE_KEYS}
    unknown = [table for table, entries in raw.items() if table not in known or not isinstance(entries, dict)]
    if unknown:
        mend = f"Write {', '.join(f'[{each}]' for each in known)}."
        why = "not a table of a mapping" if len(unknown) == 1 else "not tables of a mapping"
        yield Fault(name, None, None, ", ".join(unknown), why, mend)
    for table, entries in raw.items():
        if table in unknown:
            continue
        for key, value in entries.items():
            place = f"[{table}] {key}"
            if key not in known[table]:
                yield Fault(
                    name, None, place, str(value), "not a key of it", f"Write {', '.join(known[table])}."
                )
            elif key in ("ignored", "columns", "values"):
                if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
                    yield Fault(name, None, place, str(value), "not a list of texts", 'Write ["A", "B"].')
            elif not isinstance(value, str):
                yield Fault(name, None, place, str(value), "not a text", 'Write it as "text".')
            elif key == "decimal" and value not in (".", ","):
                yield Fault(name, None, place, value, "neither a point nor a comma", 'Write "." or ",".')
            elif key == "separator" and len(value) != 1:
                yield Fault(name, None, place, value, "not one character", 'Write ";", "," or "\\t".')
    if isinstance(raw.get("wide"), dict) and "over" not in raw["wide"]:
        yield Fault(
            name, None, "[wide]", None, "'over' is missing", 'Write over = "load", "sensor", "run", ...'
        )


def mapping_text(layout: Layout, found: Resolved, wanted: Wanted) -> str:
    """Text of the mapping file that is proposed for a file, with the questions that are open as comments."""
    return "\n".join(_lines(layout, found, wanted)) + "\n"


def _lines(layout: Layout, found: Resolved, wanted: Wanted) -> Iterator[str]:
    yield f"# Columns of {layout.path.name} as 'margin bench' reads them: proposed from names, units and cells."
    yield "# Correct what is wrong; taken by --mapping, or without it as DATA.columns.toml beside the data."
    for question in found.questions:
        place = "" if question.column is None else f"'{question.column}': "
        value = "" if question.value is None else f" (got {question.value!r})"
        yield ""
        yield f"# OPEN: {_one_line(f'{place}{question.why}{value}. {question.mend}')}"
    yield ""
    yield "[file]"
    if layout.sheet is not None:
        yield f"sheet = {_text(layout.sheet)}"
    else:
        yield f"separator = {_text(layout.delimiter)}"
        yield f"decimal = {_text(layout.decimal)}"
        yield f"encoding = {_text(layout.encoding)}"
    if wanted.output_unit is not None:
        yield f"output_unit = {_text(wanted.output_unit)}"
    mapping = found.mapping
    if mapping is None:
        yield ""
        yield "[columns]  # of the file: " + _one_line(", ".join(layout.header[:40]))
        for name, text in wanted.columns.items():
            yield f"{name} = {_text(text)}"
        return
    yield from _columns(mapping)
    if mapping.wide is not None:
        yield ""
        yield "[wide]"
        yield f"over = {_text(mapping.wide.over)}"
        yield f"columns = {_texts(mapping.wide.columns)}"
        yield f"values = {_texts(mapping.wide.values)}"


def _columns(mapping: ColumnMapping) -> Iterator[str]:
    yield ""
    yield "[columns]"
    for name, taken in mapping.taken.items():
        if taken.column is None:
            yield f"{name} = {_text(f'= {taken.value}')}"
            continue
        unit = f" in {taken.unit}" if taken.unit else ""
        about = (
            "  # a loading: the part was not remounted; if it was, write mounting" if name == "run" else ""
        )
        yield f"{name} = {_text(taken.column + unit)}{about}"
    if mapping.ignored:
        yield f"ignored = {_texts(mapping.ignored)}"


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _texts(values: tuple[str, ...]) -> str:
    return f"[{', '.join(map(_text, values))}]"


def _text(value: str) -> str:
    """A TOML basic string: JSON's escapes are among TOML's."""
    return json.dumps(value, ensure_ascii=False)
