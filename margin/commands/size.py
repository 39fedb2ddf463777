"""`margin size`: values of reference, resistors, ratios and filter for the sensors and loads of a case."""

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


@click.command(epilog=EXIT_CODES.replace("the design conforms", "the best design conforms"))
@click.argument("case", type=click.Path(path_type=Path))
@click.option(
    "--option",
    metavar="NAME",
    help="Calibration option; by default the one that comes nearest as the case is.",
)
@click.option(
    "--parts",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="Table of parts, grades and costs; by default the shipped one, to be copied and edited.",
)
@click.option(
    "--supply", metavar="VOLTAGE", help="Highest reference, such as '3.3 V'; default: as in the case."
)
@click.option(
    "--share", metavar="PERCENT", default="99.9 %", show_default=True, help="Units read without clipping."
)
@click.option(
    "--resolution",
    metavar="LOAD",
    help="Load that one count may stand for at the smallest load, such as '0.05 N'; default: a tenth of the "
    "permissible error there.",
)
@click.option(
    "--designs", type=int, default=6, show_default=True, help="Most designs that get a lower bound."
)
@asked_options(*OF_A_CASE)
def size(
    case: Path,
    option: str | None,
    parts: Path | None,
    supply: str | None,
    share: str,
    resolution: str | None,
    designs: int,
    asked: Asked,
) -> None:
    """Size the circuit of CASE, and circuits in its place, for its sensors and loads, over preferred values."""
    with faults_shown():
        from margin.report.manifest import subject_of
        from margin.size_study import size as run_size

        loaded = load(case, asked)
        study = shown_and_saved(
            lambda stage: run_size(
                loaded,
                option=option,
                parts=parts,
                supply=supply,
                share=share,
                resolution=resolution,
                designs=designs,
                workers=asked.workers,
                stage=stage,
            ),
            subject_of(loaded),
            asked,
        )
    sys.exit(CODE_OF[study.verdict])
