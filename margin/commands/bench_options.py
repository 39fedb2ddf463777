"""Options that state how the columns of bench data are read, and the words that ask for them again."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

_OPTIONS = (
    click.option(
        "--column",
        "columns",
        multiple=True,
        metavar="FIELD=COLUMN",
        help="Where a field is taken from, such as load='Kraft in kg', voltage='U (mV)', run='Lauf', "
        "temperature='= 23 degC', ignored='Bemerkung'. Repeatable.",
    ),
    click.option(
        "--wide", metavar="FIELD", help="Readings side by side, one a 'load in N', sensor, run, ..."
    ),
    click.option(
        "--output-unit", metavar="UNIT", help="Unit of readings whose column states none, such as mV."
    ),
    click.option("--sheet", metavar="NAME", help="Sheet of a spreadsheet."),
    click.option(
        "--mapping",
        type=click.Path(path_type=Path),
        metavar="FILE.toml",
        help="File that states the columns; without it DATA.columns.toml beside the data.",
    ),
)

_WORDS = {"wide": "--wide", "output_unit": "--output-unit", "sheet": "--sheet", "mapping": "--mapping"}


def bench_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options of bench data; the command takes them together, as `stated`, by the names that Python has for them."""

    @wraps(command)
    def gathered(columns: tuple[str, ...], **given: Any) -> Any:
        stated: dict[str, Any] = {name: given.pop(name) for name in _WORDS}
        return command(stated={"columns": columns_of(columns), **stated}, **given)

    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    return gathered


def columns_of(texts: tuple[str, ...]) -> dict[str, Any]:
    """Fields and columns as given by --column; several are ignored."""
    found: dict[str, Any] = {}
    for text in texts:
        field, equals, column = text.partition("=")
        field = field.strip()
        if not equals or not field or not column.strip():
            raise click.UsageError(f"--column {text!r}: write FIELD=COLUMN, such as load='Kraft in kg'")
        if field in ("ignored", "ignore"):
            found.setdefault("ignored", []).append(column.strip())
        elif field in found:
            raise click.UsageError(f"--column {text!r}: {field} is stated twice; state it once")
        else:
            found[field] = column.strip()
    return found


def stated_again(stated: dict[str, Any]) -> list[str]:
    """Words of a command line that state the same."""
    words: list[str] = []
    for field, column in stated["columns"].items():
        for each in column if isinstance(column, list) else [column]:
            words += ["--column", f"{field}={each}"]
    for name, option in _WORDS.items():
        words += [] if stated[name] is None else [option, str(stated[name])]
    return words
