"""`margin validate`: the program against exact values, on this machine."""

from __future__ import annotations

import sys

import click

from margin.commands.common import (
    CONFORMS,
    DOES_NOT_CONFORM,
    OF_FILES,
    Asked,
    asked_options,
    faults_shown,
    shown_and_saved,
)


@click.command(epilog="Exit codes: 0 every line agrees, 1 one does not, 2 bad input, 130 interrupted.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Seed of the draws.")
@asked_options("workers", *OF_FILES)
def validate(seed: int, asked: Asked) -> None:
    """Compare the program with exact values: closed forms, published results, worked equations.

    Cases whose yield and lower bound are known exactly are drawn on this machine by the ordinary engine. Each line
    shows quantity, source, expected and computed value, interval, and whether they agree.
    """
    with faults_shown():
        from margin.report.manifest import VALIDATION
        from margin.validation_study import validate as run_validation

        study = shown_and_saved(
            lambda stage: run_validation(seed=seed, workers=asked.workers, stage=stage),
            VALIDATION,
            asked,
        )
    sys.exit(CONFORMS if study.agrees else DOES_NOT_CONFORM)
