"""`margin improve`: the cheapest set of measures that reaches the required yield."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from margin.commands.common import (
    CODE_OF,
    EXIT_CODES,
    OF_A_CASE,
    Asked,
    asked_options,
    faults_shown,
    load,
    require_place,
    say,
    shown_and_saved,
)


@click.command(epilog=EXIT_CODES)
@click.argument("case", type=click.Path(path_type=Path))
@click.option(
    "--measures",
    "file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Measures and prices; by default measures.toml beside the case, else proposed from the case.",
)
@click.option(
    "--draft",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write the measures proposed from the case there, to be edited, and stop.",
)
@click.option(
    "--option", metavar="NAME", help="Today's calibration for proposed measures; by default the first."
)
@click.option(
    "--sets",
    type=click.IntRange(min=1),
    default=800,
    show_default=True,
    help="Most sets judged in order of cost.",
)
@asked_options("units", *OF_A_CASE)
def improve(
    case: Path,
    file: Path | None,
    draft: Path | None,
    option: str | None,
    sets: int,
    asked: Asked,
) -> None:
    """The cheapest set of measures with which CASE reaches its required yield."""
    if draft is not None and (file is not None or asked.out is not None):
        raise click.UsageError("--draft writes measures to be edited: omit --measures and --out")
    if draft is not None:
        require_place(draft, "--draft", (case,))
        if draft.exists():
            raise click.UsageError(f"--draft {draft}: is there already; name another, or remove it")
    with faults_shown():
        from distributions.errors import InvalidArgument
        from margin.design.measures import Effort, propose
        from margin.design.measures.draft import text_of
        from margin.improve_study import improve as run_improve
        from margin.report.folder import write_text
        from margin.report.manifest import subject_of

        loaded = load(case, asked)
        names = [spec.name for spec in loaded.calibrations]
        if option is not None and option not in names:
            raise click.UsageError(f"--option {option!r}: no such calibration; there are {', '.join(names)}")
        if draft is not None:
            proposed = propose(loaded, option, workers=asked.workers)
            if not proposed.measures:
                raise InvalidArgument(
                    f"{case}: no measure can be proposed: the case has one calibration and no leading cause that "
                    "anything is bought against; write [[measure]] tables by hand"
                )
            write_text(draft, text_of(proposed, loaded.name))
            if not asked.quiet:
                say(
                    f"{len(proposed.measures)} measures: {draft}. Replace their prices, then run margin improve with it"
                )
            return
        study = shown_and_saved(
            lambda stage: run_improve(
                loaded, file, option=option, effort=Effort(screens=sets), workers=asked.workers, stage=stage
            ),
            subject_of(loaded),
            asked,
        )
    sys.exit(CODE_OF[study.verdict])
