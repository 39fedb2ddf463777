"""`margin draft`: a first case."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import OF_ELEMENTS, faults_shown, require_place


@click.command()
@click.option("--sensor", metavar="KIND", help="Kind of sensor, such as 'thin film'.")
@click.option("--circuit", metavar="KIND", help="Kind of circuit, such as 'inverting amplifier'.")
@click.option("--range", "loads", metavar="LOADS", help="Load range, such as '2 N to 60 N'.")
@click.option("--interface", metavar="KIND", default="direct", show_default=True, help="Kind of interface.")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE", help="Write it there, not to the terminal."
)
@click.option(
    "--bands",
    metavar="FILE",
    help="Table of plausible bands beside the case, a copy of the shipped one unless it exists; the case names it.",
)
@click.option("--replace", is_flag=True, help="Write over an existing case file.")
@OF_ELEMENTS
def draft(
    sensor: str | None,
    circuit: str | None,
    loads: str | None,
    interface: str,
    out: Path | None,
    bands: str | None,
    replace: bool,
    elements: tuple[Path, ...],
) -> None:
    """Draft a first case, every line commented: example values to replace, effects at their plausible bands.

    Such as: margin draft --sensor 'thin film' --circuit 'inverting amplifier' --range '2 N to 60 N' --out pad.toml
    """
    with faults_shown():
        from margin.drafted_case import draft as drafted
        from margin.drafting.kinds import known_pairs

        if sensor is None or circuit is None or loads is None:
            missing = ", ".join(
                name
                for name, given in (("--sensor", sensor), ("--circuit", circuit), ("--range", loads))
                if given is None
            )
            raise click.UsageError(f"name {missing} too.\n{known_pairs()}")
        if out is not None:
            require_place(out, "--out")
        kept = out is not None and bands is not None and (out.parent / bands).exists()
        found = drafted(
            sensor,
            circuit,
            loads,
            interface=interface,
            out=out,
            bands=bands,
            replace=replace,
            elements=elements,
        )
        if out is None:
            click.echo(found.text, nl=False)
            return
        click.echo(f"Written: {out}")
        if bands is not None:
            click.echo(
                f"Plausible bands: {out.parent / bands}{', as it was' if kept else ', a copy to edit'}"
            )
        click.echo(f"Example values to replace: {', '.join(found.replace)}")
        if found.fault is not None:
            click.echo(f"It does not load yet: {found.fault}")
        click.echo(f"Next: margin check {out}; margin estimate {out} --out report")
