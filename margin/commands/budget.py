"""`margin budget`: what sets the force error, and what changing it would bring."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import Asked, draw_and_show, faults_shown, load, study_options


@click.command(epilog="Exit codes: 0 done, 2 bad input, 130 interrupted.")
@click.argument("case", type=click.Path(path_type=Path))
@click.option("--option", metavar="NAME", help="Calibration option that page and summary show.")
@click.option(
    "--runs",
    type=click.IntRange(min=1000),
    help="Most evaluations of a unit for each grouping, by default 131072.",
)
@click.option("--second-order", is_flag=True, help="Also how pairs of factors act together.")
@click.option("--shapley", is_flag=True, help="Also Shapley effects, which separate dependent factors.")
@study_options
def budget(
    case: Path,
    option: str | None,
    runs: int | None,
    second_order: bool,
    shapley: bool,
    asked: Asked,
) -> None:
    """Error budget of CASE: effects of causes, failing units that each would cure, effect of changes."""
    with faults_shown():
        from margin.estimates.shares import RUNS
        from margin.report.manifest import subject_of
        from margin.study import budget as run_budget

        loaded = load(case, asked)
        draw_and_show(
            lambda stage: run_budget(
                loaded,
                option=option,
                runs=RUNS if runs is None else runs,
                second_order=second_order,
                shapley=shapley,
                workers=asked.workers,
                stage=stage,
            ),
            asked,
            subject_of(loaded),
        )
