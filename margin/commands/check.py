"""`margin check`: how a case was read."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import OF_ELEMENTS, Asked, faults_shown, load


@click.command()
@click.argument("case", type=click.Path(path_type=Path))
@OF_ELEMENTS
def check(case: Path, elements: tuple[Path, ...]) -> None:
    """Read CASE and show how it was read: tolerances, defaults, what is assumed. Draws nothing."""
    from margin.report.layout import page_width, wrap

    with faults_shown():
        loaded = load(case, Asked(elements=elements))
        for title, lines in (
            ("How tolerances were read", loaded.readings),
            ("Defaults used", loaded.defaults),
            ("Assumed, not measured", loaded.assumed),
        ):
            click.echo(f"{title}:")
            for line in lines or ("nothing",):
                click.echo("\n".join(wrap(line, page_width(), first="  ", rest="    ")))
