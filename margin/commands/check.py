"""`margin check`: how a case was read."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import faults_shown, load


@click.command()
@click.argument("case", type=click.Path(path_type=Path))
@click.option("--elements", type=click.Path(path_type=Path), multiple=True, metavar="FILE.py")
def check(case: Path, elements: tuple[Path, ...]) -> None:
    """Read CASE and show how it was read: tolerances, defaults, what is assumed. Draws nothing."""
    with faults_shown():
        loaded = load(case, None, None, (), elements)
        for title, lines in (
            ("How tolerances were read", loaded.readings),
            ("Defaults used", loaded.defaults),
            ("Assumed, not measured", loaded.assumed),
        ):
            click.echo(f"{title}:")
            for line in lines or ("nothing",):
                click.echo(f"  {line}")
