"""`margin estimate`: a case to its calibration decision."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from margin.commands.common import (
    CONFORMS,
    DOES_NOT_CONFORM,
    EXIT_CODES,
    Asked,
    draw_and_show,
    faults_shown,
    load,
    study_options,
)


@click.command(epilog=EXIT_CODES)
@click.argument("case", type=click.Path(path_type=Path))
@study_options
@click.option(
    "--cluster",
    metavar="ADDRESS|N",
    help="Draw on the Dask cluster at this address, or on so many worker processes started here.",
)
@click.option(
    "--resume",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Keep finished parts of the draws in FOLDER, and go on from those that are there.",
)
def estimate(
    case: Path,
    asked: Asked,
    cluster: str | None,
    resume: Path | None,
) -> None:
    """Draw, calibrate and judge the units of CASE, and say which calibration to choose."""
    with faults_shown(resume):
        from margin.study import estimate as run_study

        loaded = load(case, asked)
        study = draw_and_show(
            lambda stage: run_study(
                loaded,
                workers=asked.workers,
                cluster=int(cluster) if cluster is not None and cluster.isdecimal() else cluster,
                resume=resume,
                elements=asked.elements,
                stage=stage,
            ),
            asked,
        )
    sys.exit(CONFORMS if study.conforms else DOES_NOT_CONFORM)
