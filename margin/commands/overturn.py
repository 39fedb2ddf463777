"""`margin overturn`: what would overturn the decision about a case."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import (
    OF_A_CASE,
    Asked,
    asked_options,
    faults_shown,
    load,
    shown_and_saved,
)


@click.command(epilog="Exit codes: 0 done, 2 bad input, 130 interrupted.")
@click.argument("case", type=click.Path(path_type=Path))
@click.option(
    "--option",
    metavar="NAME",
    help="Calibration option; by default the one that a study of the case recommends, or that comes nearest.",
)
@click.option(
    "--units",
    type=click.IntRange(min=256, max=10_000_000),
    help="Units drawn for each bound; by default as many as the study takes, 204800 at most.",
)
@click.option("--no-pairs", is_flag=True, help="Leave out pairs of quantities that overturn it together.")
@asked_options(*OF_A_CASE)
def overturn(
    case: Path,
    option: str | None,
    units: int | None,
    no_pairs: bool,
    asked: Asked,
) -> None:
    """Which assumed values of CASE would overturn its verdict, and how far they are from what is assumed."""
    with faults_shown():
        from margin.overturn_study import overturn as run_overturn
        from margin.report.manifest import subject_of

        loaded = load(case, asked)
        shown_and_saved(
            lambda stage: run_overturn(
                loaded, option, units=units, pairs=not no_pairs, workers=asked.workers, stage=stage
            ),
            subject_of(loaded),
            asked,
        )
