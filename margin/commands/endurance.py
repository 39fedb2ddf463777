"""`margin endurance`: lives with censoring, or the drift of outputs over age."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import OF_FILES, Asked, asked_options, faults_shown, shown_and_saved


@click.command(epilog="Exit codes: 0 done, 2 bad input, 130 interrupted.")
@click.argument("data", type=click.Path(path_type=Path))
@asked_options(*OF_FILES)
def endurance(data: Path, asked: Asked) -> None:
    """Fit the endurance DATA of a CSV file.

    Columns unit, time and failed (0 where the unit still worked): lives, by a Weibull and a lognormal distribution.
    Columns unit, time and output: the loss of output per decade of hours, with its spread, as a key for a case.
    """
    with faults_shown():
        from margin.endurance_study import endurance as fitted

        shown_and_saved(lambda stage: fitted(data), f"endurance data {data.name}", asked)
