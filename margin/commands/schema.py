"""`margin schema`: the JSON Schema of case files."""

from __future__ import annotations

from pathlib import Path

import click

from margin.commands.common import faults_shown, require_place, say


@click.command()
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE", help="Write it there, not to the terminal."
)
def schema(out: Path | None) -> None:
    """The JSON Schema of case files, by which editors complete and check them."""
    with faults_shown():
        from margin.case.schema import schema_json

        if out is None:
            say(schema_json())
            return
        from margin.report.files import write_text

        require_place(out, "--out")
        write_text(out, schema_json())
