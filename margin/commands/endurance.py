"""`margin endurance`: lives with censoring, or the drift of outputs over age."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import (
    OF_FILES,
    Asked,
    asked_options,
    faults_shown,
    require_place,
    say,
    shown_and_saved,
)


@click.command(epilog="Exit codes: 0 done, 2 bad input, 130 interrupted.")
@click.argument("data", type=click.Path(path_type=Path))
@click.option(
    "--into",
    type=click.Path(path_type=Path),
    metavar="MODEL.toml",
    help="Put the loss of output into a fitted model of 'margin bench --model', as the ageing of its sensor.",
)
@asked_options(*OF_FILES)
def endurance(data: Path, into: Path | None, asked: Asked) -> None:
    """Fit the endurance DATA of a CSV file.

    Columns unit, time and failed (0 where the unit still worked): lives, by a Weibull and a lognormal distribution.
    Columns unit, time and output: the loss of output per decade of hours, with its spread, as a key for a case.
    """
    with faults_shown():
        from margin.endurance_study import DriftStudy
        from margin.endurance_study import endurance as fitted

        if into is not None:
            require_place(into, "--into", (data,))
        found = fitted(data)
        if into is not None and not isinstance(found, DriftStudy):
            raise click.UsageError(
                f"--into {into}: lives say when units failed by another criterion, and a case judges units by their "
                "error: it has no key for them. Measure the output over age (columns unit, time (h), output)"
            )
        shown_and_saved(lambda stage: found, f"endurance data {data.name}", asked)
        if into is None or not isinstance(found, DriftStudy):
            return
        place = found.into_model(into)
        if not asked.quiet:
            say(f"\nModel: {place}")
