"""`margin rare`: how rarely a unit fails, and which one most likely does."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import faults_shown, load


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
@click.option("--seed", type=click.IntRange(min=0), help="Seed of the draws, in place of the case's.")
@click.option(
    "--change", "changes", multiple=True, metavar="KEY=VALUE", help="Another value for a key of the case."
)
@click.option(
    "--elements", type=click.Path(path_type=Path), multiple=True, metavar="FILE.py", help="It is run."
)
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FOLDER", help="Write rare.json and a CSV there."
)
@click.option("--quiet", is_flag=True, help="Files and exit code only.")
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
    with faults_shown():
        from margin.rare_study import rare as run_rare
        from margin.report import files

        loaded = load(case, None, seed, changes, elements)
        if out is not None:
            files.require_writable(out)
        study = run_rare(loaded, option, budget=budget)
        if out is not None:
            study.save(out)
        if not quiet:
            click.echo(str(study))
