"""`margin rare`: how rarely a unit fails, and which one most likely does."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import (
    OF_CHANGES,
    OF_ELEMENTS,
    OF_OUT,
    OF_QUIET,
    OF_SEED,
    Asked,
    faults_shown,
    load,
)


@click.command(epilog="Exit codes: 0 done, 2 bad input, 130 interrupted.")
@click.argument("case", type=click.Path(path_type=Path))
@click.option("--option", metavar="NAME", help="Calibration option; by default the first of the case.")
@click.option(
    "--budget",
    type=click.IntRange(min=1000),
    default=200_000,
    show_default=True,
    help="Most units evaluated.",
)
@OF_SEED
@OF_CHANGES
@OF_ELEMENTS
@OF_OUT
@OF_QUIET
def rare(
    case: Path,
    option: str | None,
    budget: int,
    seed: int | None,
    changes: tuple[str, ...],
    elements: tuple[Path, ...],
    out: Path | None,
    quiet: bool,
) -> None:
    """How rarely a unit of CASE fails, down to 1e-7, and which unit most likely does."""
    asked = Asked(seed=seed, changes=changes, elements=elements, out=out, quiet=quiet)
    with faults_shown():
        from margin.rare_study import rare as run_rare
        from margin.report import files

        loaded = load(case, asked)
        if out is not None:
            files.require_writable(out)
        study = run_rare(loaded, option, budget=budget)
        if out is not None:
            study.save(out)
        if not quiet:
            click.echo(str(study))
