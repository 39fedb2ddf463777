"""What the commands share: options, reading the case, progress, faults, exit codes.

Heavy imports wait until a command runs, so that `--help` answers at once.
"""

from __future__ import annotations

import dataclasses
import os
import stat
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import click

from margin.commands.failures import BAD_INPUT, INTERNAL_ERROR, INTERRUPTED, TRACEBACK, faults_shown
from margin.commands.output import say

if TYPE_CHECKING:
    from margin.case.types import Case
    from margin.estimates.stages import Stage
    from margin.study_results import BudgetStudy, PairedStudy, Study

__all__ = [
    "BAD_INPUT",
    "CODE_OF",
    "CONFORMS",
    "DOES_NOT_CONFORM",
    "EXIT_CODES",
    "INTERNAL_ERROR",
    "INTERRUPTED",
    "OF_A_CASE",
    "OF_CHANGES",
    "OF_ELEMENTS",
    "OF_FILES",
    "OF_REPLACE",
    "OF_SEED",
    "OF_UNITS",
    "UNDECIDED",
    "Asked",
    "asked_options",
    "draw_and_show",
    "faults_shown",
    "load",
    "repeated",
    "require_place",
    "say",
    "shown_and_saved",
    "stages",
    "study_options",
]  # fmt: skip

CONFORMS, DOES_NOT_CONFORM, UNDECIDED = 0, 1, 3

CODE_OF = {"conforms": CONFORMS, "does not conform": DOES_NOT_CONFORM, "undecided": UNDECIDED}

EXIT_CODES = (
    "Exit codes: 0 the design conforms, 1 it does not, 2 bad input, 3 undecided by the units drawn, 70 internal error "
    f"({TRACEBACK}=1 shows its traceback), 130 interrupted."
)

Command = Callable[..., Any]


class SavedResult(Protocol):
    """A result that prints one screen and saves a report."""

    def save(self, folder: Path, *, replace: bool = False) -> Path:
        """Write the report; the path of its page, or of its JSON."""


Finished = TypeVar("Finished", "Study", "PairedStudy", "BudgetStudy")
Saved = TypeVar("Saved", bound="SavedResult")


OF_UNITS = click.option(
    "--units", type=click.IntRange(min=1), help="Most units to draw, in place of the case's number."
)
OF_ALL_UNITS = click.option(
    "--all-units", is_flag=True, help="Draw all units, and not only as many as decide the verdict."
)
OF_SEED = click.option(
    "--seed", type=click.IntRange(min=0), help="Seed of the draws, in place of the case's."
)


def changes_option(name: str, description: str, variable: str | None = None) -> Callable[[Any], Any]:
    """An option that takes changes of a case, as often as it is written."""
    names = (name,) if variable is None else (name, variable)
    return click.option(*names, multiple=True, metavar="KEY=VALUE", help=description)


OF_CHANGES = changes_option(
    "--change",
    "Another value for a key of the case, such as circuit.feedback='33 kohm +/- 1 %', or for one of an option or "
    "condition by its name or number, such as calibration.two-point.reloads=5. Repeatable.",
    "changes",
)
OF_ELEMENTS = click.option(
    "--elements",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE.py",
    help="Python file that registers sensors, circuits or interfaces of your own. It is run.",
)
OF_WORKERS = click.option(
    "--workers", type=click.IntRange(min=1), help="Threads; the results do not depend on it."
)
OF_OUT = click.option(
    "--out", type=click.Path(path_type=Path), metavar="FOLDER", help="Write the report there."
)
OF_REPLACE = click.option(
    "--replace", is_flag=True, help="Replace the report of another case, too, if --out contains one."
)
OF_QUIET = click.option("--quiet", is_flag=True, help="No progress and no summary: exit code and files only.")


@dataclass(frozen=True)
class Asked:
    """What a command that draws units was asked for; None where the case or the machine decides."""

    units: int | None = None
    all_units: bool = False
    seed: int | None = None
    changes: tuple[str, ...] = ()
    elements: tuple[Path, ...] = ()
    workers: int | None = None
    out: Path | None = None
    replace: bool = False
    quiet: bool = False


_OPTIONS: dict[str, Callable[[Any], Any]] = {
    "units": OF_UNITS,
    "all_units": OF_ALL_UNITS,
    "seed": OF_SEED,
    "changes": OF_CHANGES,
    "elements": OF_ELEMENTS,
    "workers": OF_WORKERS,
    "out": OF_OUT,
    "replace": OF_REPLACE,
    "quiet": OF_QUIET,
}
"""Options by the field of `Asked` that they fill, in the order of a command's help."""

OF_A_CASE = ("seed", "changes", "elements", "workers", "out", "replace", "quiet")
"""What is asked of a command that draws from a case, but for the number of units."""

OF_FILES = ("out", "replace", "quiet")
"""What is asked of a command that draws nothing."""


def asked_options(*names: str) -> Callable[[Command], Command]:
    """Options for these fields of `Asked`; the command takes them together, as `asked`."""

    def decorate(command: Command) -> Command:
        @wraps(command)
        def gathered(**given: Any) -> Any:
            asked = Asked(**{name: given.pop(name) for name in names})
            return command(asked=asked, **given)

        for name in reversed([name for name in _OPTIONS if name in names]):
            gathered = _OPTIONS[name](gathered)
        return gathered

    return decorate


study_options = asked_options(*_OPTIONS)
"""All of them."""


_REPEATED = {"units": "--units", "seed": "--seed", "changes": "--change", "elements": "--elements"}
"""Options that decide what a command finds, by the field of `Asked`."""


def repeated(asked: Asked, *names: str) -> list[str]:
    """Words of a command line that ask for these fields again."""
    words: list[str] = []
    for name in names:
        value = getattr(asked, name)
        values = value if isinstance(value, tuple) else () if value is None else (value,)
        for each in values:
            words += [_REPEATED[name], str(each)]
    return words


def draw_and_show(draw: Callable[[Stage], Finished], asked: Asked, subject: str) -> Finished:
    """Draw with progress, print the summary, write the report. A folder that is not ours is refused first.

    The summary comes before the files, so that it is there whatever becomes of them. The time goes to the error
    stream, as progress does: what is written and printed is the same for every run.

    subject  what the report is of, as its manifest names it
    """
    start = time.perf_counter()
    study = shown_and_saved(draw, subject, asked)
    if not asked.quiet:
        say(f"Took {time.perf_counter() - start:.3g} s", err=True)
    return study


def shown_and_saved(draw: Callable[[Stage], Saved], subject: str, asked: Asked) -> Saved:
    """What `draw` gives: printed, then saved to the folder asked for, which is checked before anything is drawn."""
    from margin.report import files

    if asked.out is not None:
        files.require_writable(asked.out, subject, replace=asked.replace)
    with stages(asked.quiet) as stage:
        study = draw(stage)
    if not asked.quiet:
        text = str(study)
        say(text, nl=not text.endswith("\n"))
    if asked.out is not None:
        page = study.save(asked.out, replace=asked.replace)
        if not asked.quiet:
            say(f"\nReport: {page}")
    return study


def load(path: Path, asked: Asked) -> Case:
    """The case as asked for: elements registered first, then its changes made."""
    from margin.case.changes import with_changes
    from margin.case.load import load_case
    from margin.chain.own_elements import ElementsFile

    for file in asked.elements:
        ElementsFile.read(file).run()
    case = dataclasses.replace(load_case(path), own_elements=tuple(map(str, asked.elements)))
    wanted: dict[str, Any] = {}
    for text in asked.changes:
        key, equals, value = text.partition("=")
        if not equals or not key.strip():
            raise click.UsageError(
                f"--change {text!r}: write KEY=VALUE, such as circuit.feedback='33 kohm +/- 1 %'"
            )
        wanted[key.strip()] = value.strip()
    if asked.units is not None:
        wanted["study.units"] = asked.units
    if asked.all_units:
        wanted["study.draw"] = "all units"
    if asked.seed is not None:
        wanted["study.seed"] = asked.seed
    return with_changes(case, wanted) if wanted else case


def require_place(path: Path, option: str, read: tuple[Path | None, ...] = ()) -> None:
    """UsageError unless a file may be written to `path`, said before anything long begins.

    read  files that the command reads, and must not write over
    """
    try:
        kind = path.lstat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        kind = None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise click.UsageError(f"{option} {path}: {why}; name another") from error
    if kind is not None and stat.S_ISLNK(kind):
        raise click.UsageError(f"{option} {path}: is a symbolic link; name the file itself")
    if kind is not None and not stat.S_ISREG(kind) and not stat.S_ISDIR(kind):
        raise click.UsageError(f"{option} {path}: is a device, pipe or socket; name a file")
    if any(file is not None and path.resolve() == file.resolve() for file in read):
        raise click.UsageError(f"{option} {path}: is a file that is read here; name another")
    if path.is_dir() or not path.name:
        raise click.UsageError(f"{option} {path}: is a folder; name the file in it")
    if not path.parent.is_dir():
        raise click.UsageError(f"{option} {path}: there is no folder {path.parent}")
    if not os.access(path.parent, os.W_OK | os.X_OK):
        raise click.UsageError(f"{option} {path}: {path.parent} may not be written; name another folder")


@contextmanager
def stages(quiet: bool) -> Iterator[Stage]:
    """Progress bars on the error stream; none where it is not a terminal, or when quiet."""
    from margin.estimates.stages import no_progress

    if quiet or not sys.stderr.isatty():
        yield no_progress
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as progress:

        def stage(title: str, total: int) -> Callable[[int], None]:
            task = progress.add_task(title, total=total)
            return lambda done: progress.advance(task, done)

        yield stage
