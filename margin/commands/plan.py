"""`margin plan`: how to calibrate each unit at the station, and what yield other times bring."""

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


@click.command(epilog=EXIT_CODES)
@click.argument("case", type=click.Path(path_type=Path))
@click.option("--seconds", type=float, help="Longest time on the station, seconds a unit; by default any.")
@click.option(
    "--thermometer/--no-thermometer",
    default=None,
    help="Only plans with a temperature correction in firmware, or only plans without; by default both.",
)
@click.option("--units", type=int, help="Most units drawn for the yields of the plans, 200000 by default.")
@asked_options(*OF_A_CASE)
def plan(
    case: Path,
    seconds: float | None,
    thermometer: bool | None,
    units: int | None,
    asked: Asked,
) -> None:
    """The quickest calibration with which CASE conforms: points, loads, reloads, dwell, and the reference it needs."""
    with faults_shown():
        from margin.design.calibration_plan.planning import require_arguments
        from margin.design.calibration_plan.promise import PROMISE_UNITS
        from margin.plan_study import plan as find_plan
        from margin.report.manifest import subject_of

        loaded = load(case, asked)
        most = PROMISE_UNITS if units is None else units
        require_arguments(loaded, seconds, thermometer, most)

        found = shown_and_saved(
            lambda stage: find_plan(
                loaded,
                seconds=seconds,
                thermometer=thermometer,
                units=most,
                workers=asked.workers,
                stage=stage,
            ),
            subject_of(loaded),
            asked,
        )
        sys.exit(CODE_OF[found.verdict])
