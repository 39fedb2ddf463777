"""`margin compare`: two cases on the same draws."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from margin.commands.common import (
    CODE_OF,
    EXIT_CODES,
    Asked,
    draw_and_show,
    faults_shown,
    load,
    study_options,
)


@click.command(epilog=EXIT_CODES)
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@study_options
def compare(
    first: Path,
    second: Path,
    asked: Asked,
) -> None:
    """Two cases on the same draws: which circuit, part or calibration is better, and by how much."""
    with faults_shown():
        from margin.report.manifest import subject_of_pair
        from margin.study import compare as run_both

        one, two = (load(path, asked) for path in (first, second))
        study = draw_and_show(
            lambda stage: run_both(one, two, workers=asked.workers, stage=stage),
            asked,
            subject_of_pair(one, two),
        )
    sys.exit(CODE_OF[study.verdict])
