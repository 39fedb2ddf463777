"""`margin rare`: how rarely a unit fails, and which one most likely does."""

from __future__ import annotations

import dataclasses
import math
import shlex
from pathlib import Path

import click

from margin.commands.common import (
    OF_FILES,
    Asked,
    asked_options,
    faults_shown,
    load,
    repeated,
    shown_and_saved,
)


def whole_number(ctx: click.Context, param: click.Parameter, value: str) -> int:
    """A whole number of units, also written as 2e5."""
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not number.is_integer():
        raise click.BadParameter(f"{value!r} is not a whole number of units: write it like 200000 or 2e5")
    return int(number)


@click.command(epilog="Exit codes: 0 done, 2 bad input, 130 interrupted.")
@click.argument("case", type=click.Path(path_type=Path))
@click.option("--option", metavar="NAME", help="Calibration option; by default the first of the case.")
@click.option(
    "--budget",
    callback=whole_number,
    metavar="INTEGER",
    default="200000",
    show_default=True,
    help="Most units evaluated for the probability and its cross-check, 1000 to 100 million.",
)
@asked_options("seed", "changes", "elements", *OF_FILES)
def rare(
    case: Path,
    option: str | None,
    budget: int,
    asked: Asked,
) -> None:
    """How rarely a unit of CASE fails, down to 1e-7, and the most probable failing unit."""
    with faults_shown():
        from margin.estimates.rare import require_budget
        from margin.rare_study import rare as run_rare
        from margin.report.manifest import subject_of

        require_budget(budget)
        loaded = load(case, asked)
        shown_and_saved(
            lambda stage: dataclasses.replace(
                run_rare(loaded, option, budget=budget, stage=stage),
                command=_command(case, option, budget, asked),
            ),
            subject_of(loaded),
            asked,
        )


def _command(case: Path, option: str | None, budget: int, asked: Asked) -> str:
    """The command as it is to be repeated."""
    words = ["margin", "rare", str(case), "--budget", str(budget)]
    words += [] if option is None else ["--option", option]
    return shlex.join([*words, *repeated(asked, "seed", "changes", "elements")])
