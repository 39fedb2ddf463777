"""`margin age`: yield, life and recalibration interval over the time in service."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from margin.commands.common import (
    CODE_OF,
    EXIT_CODES,
    OF_A_CASE,
    Asked,
    asked_options,
    faults_shown,
    load,
    shown_and_saved,
)


@click.command(epilog=EXIT_CODES.replace("the design conforms", "units conform at every age"))
@click.argument("case", type=click.Path(path_type=Path))
@click.option(
    "--option", metavar="NAME", help="Calibration of the new units; by default the first of the case."
)
@click.option(
    "--years", type=float, help="Time in service, of 8766 h a year; by default that of [service], or else 5."
)
@click.option(
    "--points", type=int, default=9, show_default=True, help="Ages: 0, then each twice the one before it."
)
@click.option(
    "--age", "ages", multiple=True, metavar="TIME", help="Age in place of both, such as '1000 h'. Repeatable."
)
@click.option(
    "--every",
    metavar="TIME",
    help="Time between recalibrations in the field, such as '2000 h'; by default a year, or half of the last age.",
)
@click.option(
    "--units", type=click.IntRange(min=100), help="Units drawn, in place of those of the case; at least 100."
)
@asked_options(*OF_A_CASE)
def age(
    case: Path,
    option: str | None,
    years: float | None,
    points: int,
    ages: tuple[str, ...],
    every: str | None,
    units: int | None,
    asked: Asked,
) -> None:
    """Yield and error of CASE over the time in service, life of its units, recalibration interval and actions."""
    with faults_shown():
        from margin.age_study import age as run_age
        from margin.report.manifest import subject_of

        loaded = load(case, asked)
        study = shown_and_saved(
            lambda stage: run_age(
                loaded,
                option,
                years=years,
                points=points,
                ages=ages,
                every=every,
                units=units,
                workers=asked.workers,
                stage=stage,
            ),
            subject_of(loaded),
            asked,
        )
    sys.exit(CODE_OF[study.verdict])
