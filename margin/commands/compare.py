"""`margin compare`: two cases on the same draws."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import click

from margin.commands.common import (
    CODE_OF,
    EXIT_CODES,
    Asked,
    changes_option,
    draw_and_show,
    faults_shown,
    load,
    study_options,
)


@click.command(epilog=EXIT_CODES)
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@study_options
@changes_option("--change-first", "As --change, for the first case alone, after it. Repeatable.")
@changes_option("--change-second", "As --change, for the second case alone, after it. Repeatable.")
def compare(
    first: Path,
    second: Path,
    asked: Asked,
    change_first: tuple[str, ...],
    change_second: tuple[str, ...],
) -> None:
    """Two cases on the same draws: which circuit, part or calibration is better, and by how much.

    A file may be given twice, with changes for one side. --change applies to both.
    """
    with faults_shown():
        from margin.report.manifest import subject_of_pair
        from margin.study import compare as run_both

        one, two = (
            load(path, dataclasses.replace(asked, changes=(*asked.changes, *own)))
            for path, own in ((first, change_first), (second, change_second))
        )
        study = draw_and_show(
            lambda stage: run_both(one, two, workers=asked.workers, stage=stage),
            asked,
            subject_of_pair(one, two),
        )
    sys.exit(CODE_OF[study.verdict])
