"""`margin accept`: test limit and guard band at the end of the line, by consumer's and producer's risk."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from margin.commands.common import (
    CODE_OF,
    EXIT_CODES,
    OF_A_CASE,
    OF_UNITS,
    Asked,
    asked_options,
    faults_shown,
    load,
    shown_and_saved,
)


@click.command(
    epilog=EXIT_CODES.replace("the design conforms", "a test limit keeps the stated risk").replace(
        "it does not", "none does"
    )
)
@click.argument("case", type=click.Path(path_type=Path))
@click.option(
    "--option", metavar="NAME", help="Calibration after which units are tested; by default the first."
)
@click.option(
    "--risk", metavar="SHARE", default="1 %", show_default=True, help="Consumer's risk not to be exceeded."
)
@click.option(
    "--risk-of",
    type=click.Choice(["shipped", "produced"]),
    default="shipped",
    show_default=True,
    help="Units that the risk is a share of.",
)
@click.option(
    "--against",
    type=click.Choice(["use", "station"]),
    default="use",
    show_default=True,
    help="What makes a unit bad: the requirement in use, or its true error at the test.",
)
@click.option(
    "--test-load",
    "loads",
    multiple=True,
    metavar="LOAD",
    help="Load of the test, such as '10 N'; by default the check loads. Repeatable.",
)
@click.option(
    "--reloads",
    type=int,
    default=1,
    show_default=True,
    help="Placements of each test load; their mean counts.",
)
@click.option("--samples", type=int, default=1, show_default=True, help="Readings in each placement.")
@click.option(
    "--station",
    type=click.Choice(["same", "other"]),
    default="same",
    show_default=True,
    help="Tested by the station that calibrated the unit, or by another with its own reference.",
)
@click.option(
    "--limit",
    "limits",
    type=float,
    multiple=True,
    metavar="MULTIPLE",
    help="Further test limit for the table, a multiple of the permissible error. Repeatable.",
)
@click.option("--cost-bad", type=float, help="Cost of a shipped bad unit.")
@click.option("--cost-good", type=float, help="Cost of a scrapped good unit.")
@OF_UNITS
@asked_options(*OF_A_CASE)
def accept(
    case: Path,
    option: str | None,
    risk: str,
    risk_of: str,
    against: str,
    loads: tuple[str, ...],
    reloads: int,
    samples: int,
    station: str,
    limits: tuple[float, ...],
    cost_bad: float | None,
    cost_good: float | None,
    units: int | None,
    asked: Asked,
) -> None:
    """Test limit and guard band for CASE by consumer's and producer's risk, with field failures of what is shipped."""
    with faults_shown():
        from margin.accept_study import accept as run_accept
        from margin.report.manifest import subject_of

        loaded = load(case, asked)
        study = shown_and_saved(
            lambda stage: run_accept(
                loaded,
                option,
                risk=risk,
                risk_of=risk_of,  # type: ignore[arg-type]
                against=against,  # type: ignore[arg-type]
                test_loads=loads or None,
                reloads=reloads,
                samples=samples,
                station=station,  # type: ignore[arg-type]
                limits=limits,
                cost_bad=cost_bad,
                cost_good=cost_good,
                units=units,
                workers=asked.workers,
                stage=stage,
            ),
            subject_of(loaded),
            asked,
        )
    sys.exit(CODE_OF[study.verdict])
