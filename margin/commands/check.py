"""`margin check`: how a case was read, and what its study will take."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import OF_CHANGES, OF_ELEMENTS, Asked, faults_shown, load, say


@click.command()
@click.argument("case", type=click.Path(path_type=Path))
@OF_CHANGES
@OF_ELEMENTS
def check(case: Path, changes: tuple[str, ...], elements: tuple[Path, ...]) -> None:
    """Read CASE and show how it was read: tolerances, defaults, what is assumed. Forecast time and memory of its study
    from a pilot of some hundred units; its results are not shown."""
    with faults_shown():
        from margin.case.describe import at_bands
        from margin.estimates.forecast import forecast_of
        from margin.report.forecast import forecast_lines

        loaded = load(case, Asked(changes=changes, elements=elements))
        for title, lines in (
            ("How tolerances were read", loaded.readings),
            ("Defaults used", loaded.defaults),
            ("Assumed, not measured", loaded.assumed),
        ):
            say(f"{title}:")
            for line in lines or ("nothing",):
                _item(line)
        unstated = at_bands(loaded.elements)
        if unstated:
            count = (
                "1 quantity counts at a plausible band"
                if unstated == 1
                else (f"{unstated} quantities count at plausible bands")
            )
            say(f"{count}: state yours, or 0 for no such effect")
        say("Forecast of `margin estimate` on this machine:")
        for line in forecast_lines(forecast_of(loaded)):
            _item(line)


def _item(text: str) -> None:
    """Print a line of a list, set in and wrapped to the width of the terminal."""
    from margin.report.layout import page_width, wrap

    say("\n".join(wrap(text, page_width(), first="  ", rest="    ")))
