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
    with faults_shown():
        from margin.case.describe import at_bands

        loaded = load(case, Asked(elements=elements))
        for title, lines in (
            ("How tolerances were read", loaded.readings),
            ("Defaults used", loaded.defaults),
            ("Assumed, not measured", loaded.assumed),
        ):
            click.echo(f"{title}:")
            for line in lines or ("nothing",):
                click.echo(f"  {line}")
        unstated = at_bands(loaded.elements)
        if unstated:
            count = (
                "1 quantity counts at a plausible band"
                if unstated == 1
                else (f"{unstated} quantities count at plausible bands")
            )
            click.echo(f"{count}: state yours, or 0 for no such effect")
