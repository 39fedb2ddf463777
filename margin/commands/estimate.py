"""`margin estimate`: a case to its calibration decision."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from margin.commands.common import (
    CONFORMS,
    DOES_NOT_CONFORM,
    EXIT_CODES,
    draw_and_show,
    faults_shown,
    load,
    study_options,
)


@click.command(epilog=EXIT_CODES)
@click.argument("case", type=click.Path(path_type=Path))
@study_options
def estimate(
    case: Path,
    units: int | None,
    seed: int | None,
    changes: tuple[str, ...],
    elements: tuple[Path, ...],
    workers: int | None,
    out: Path | None,
    quiet: bool,
) -> None:
    """Draw, calibrate and judge the units of CASE, and say which calibration to choose."""
    with faults_shown():
        from margin.study import estimate as run_study

        loaded = load(case, units, seed, changes, elements)
        study = draw_and_show(lambda stage: run_study(loaded, workers=workers, stage=stage), out, quiet)
    sys.exit(CONFORMS if study.conforms else DOES_NOT_CONFORM)
