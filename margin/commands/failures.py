"""Failures of a command as one clear message and an exit code, never a bare traceback."""

from __future__ import annotations

import dis
import errno
import os
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

import click

from margin.commands.output import say

BAD_INPUT, INTERNAL_ERROR, INTERRUPTED = 2, 70, 130

TRACEBACK = "MARGIN_TRACEBACK"
"""Environment variable that shows the traceback of every failure, if it is set to anything but 0."""

_REMEDIES = {
    errno.ENOSPC: "the disk is full: make room, or name a place on another disk",
    errno.EDQUOT: "the quota of the disk is used up: make room, or name a place on another disk",
    errno.EROFS: "the disk is read-only: name a place on another one",
    errno.EACCES: "name another place, or ask for the rights to this one",
    errno.EPERM: "name another place, or ask for the rights to this one",
    errno.ENAMETOOLONG: "choose a shorter name",
    errno.ENOENT: "check the path",
    errno.ELOOP: "a symbolic link leads back to itself: name the file or folder itself",
}

_OURS = ("margin", "distributions")
_RAISE = {dis.opmap[name] for name in ("RAISE_VARARGS", "RERAISE") if name in dis.opmap}


@contextmanager
def faults_shown(resume: Path | None = None) -> Iterator[None]:
    """One clear message for a fault; no traceback. `resume`: folder that keeps parts of a run."""
    try:
        yield
    except KeyboardInterrupt:
        say(_interrupted(resume), err=True)
        sys.exit(INTERRUPTED)
    except (click.ClickException, click.exceptions.Exit, click.Abort):
        raise
    except BrokenPipeError:
        sys.exit(0)
    except OSError as error:
        _traced(error)
        say(in_words(error), err=True)
        sys.exit(BAD_INPUT)
    except ValueError as error:
        _traced(error)
        if not is_of_input(error):
            say(_internal(error), err=True)
            sys.exit(INTERNAL_ERROR)
        say(str(error), err=True)
        sys.exit(BAD_INPUT)
    except MemoryError as error:
        _traced(error)
        say("not enough memory: ask for fewer workers, or fewer readings a unit", err=True)
        sys.exit(INTERNAL_ERROR)
    except Exception as error:
        _traced(error)
        say(_internal(error), err=True)
        sys.exit(INTERNAL_ERROR)


def in_words(error: OSError) -> str:
    """'report/page.html: Permission denied; ...' for a fault of the file system, with what to do."""
    if error.filename is None or error.strerror is None:
        return f"{error}; check paths, rights and the room on the disk"
    place = Path(os.fsdecode(error.filename if error.filename2 is None else error.filename2))
    if place.suffix in (".part", ".margin-part"):  # half of a file, under a name that nobody asked for
        place = place.parent
    remedy = _REMEDIES.get(error.errno or 0, "check the path, the rights to it and the room on its disk")
    return f"{place}: {error.strerror}; {remedy}"


def is_of_input(error: ValueError) -> bool:
    """Whether a ValueError is a message to the user: of a class of ours, or raised on purpose by our code.

    One that comes out of a library, or that an operation of Python or numpy raises by itself, is a fault of the
    program.
    """
    if type(error).__module__.split(".")[0] in _OURS:
        return True
    last = _last(error.__traceback__)
    if last is None:
        return True
    frame = last.tb_frame
    package = str(frame.f_globals.get("__name__", "")).split(".")[0]
    if package.startswith("margin_elements"):
        return True
    return package in _OURS and frame.f_code.co_code[last.tb_lasti] in _RAISE


def _last(at: TracebackType | None) -> TracebackType | None:
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    return at


def _internal(error: BaseException) -> str:
    """What happened, where, and how to see more, in one line."""
    last = _last(error.__traceback__)
    where = ""
    if last is not None:
        code = last.tb_frame.f_code
        where = f" ({Path(code.co_filename).name}, line {last.tb_lineno})"
    told = " ".join(f"{type(error).__name__}: {error}".split())
    told = told if len(told) <= 300 else told[:296] + " ..."
    return (
        f"internal error: {told}{where}; a fault of the program, not of the input. Set {TRACEBACK}=1 to see the "
        "traceback, and report it with the case"
    )


def _traced(error: BaseException) -> None:
    """Print the traceback where it was asked for."""
    if os.environ.get(TRACEBACK, "0") not in ("", "0"):
        say("".join(traceback.format_exception(error)), err=True, nl=False)


def _interrupted(resume: Path | None) -> str:
    if resume is None or not resume.is_dir():
        return "Interrupted: nothing was written."
    return f"Interrupted: finished parts are kept in {resume}, the same command goes on from them. No report."
