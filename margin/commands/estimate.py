"""`margin estimate`: a case to its calibration decision."""

from __future__ import annotations

import dataclasses
import shlex
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from margin.commands.common import (
    CODE_OF,
    EXIT_CODES,
    Asked,
    draw_and_show,
    faults_shown,
    load,
    repeated,
    study_options,
)

if TYPE_CHECKING:
    from margin.estimates.stages import Stage
    from margin.study_results import Study


@click.command(epilog=EXIT_CODES)
@click.argument("case", type=click.Path(path_type=Path))
@study_options
@click.option(
    "--cluster",
    metavar="ADDRESS|N",
    help="Draw on the Dask cluster at this address, or on so many worker processes started here.",
)
@click.option(
    "--resume",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Keep finished parts of the draws in FOLDER, and go on from those that are there.",
)
@click.option(
    "--compiled/--not-compiled",
    default=None,
    help="Compute readings by a compiled kernel or by array operations; by default as the size of "
    "the study decides.",
)
@click.option("--gpu", is_flag=True, help="Draw on an accelerator (extra 'gpu'); all else on the processor.")
@click.option(
    "--overturn",
    is_flag=True,
    help="Also say which assumed values would overturn the decision (see margin overturn); takes about a minute.",
)
def estimate(
    case: Path,
    asked: Asked,
    cluster: str | None,
    resume: Path | None,
    compiled: bool | None,
    gpu: bool,
    overturn: bool,
) -> None:
    """Draw, calibrate and judge the units of CASE, and say which calibration to choose."""
    with faults_shown(resume), _options_named():
        from margin.report.manifest import subject_of
        from margin.study import estimate as run_study

        loaded = load(case, asked)

        def run(stage: Stage) -> Study:
            found = run_study(
                loaded,
                workers=asked.workers,
                cluster=int(cluster) if cluster is not None and cluster.isdecimal() else cluster,
                resume=resume,
                elements=asked.elements,
                gpu=gpu,
                compiled=compiled,
                stage=stage,
            )
            if overturn:
                found = found.with_overturning(workers=asked.workers, stage=stage)
            return dataclasses.replace(found, command=_command(case, asked))

        study = draw_and_show(run, asked, subject_of(loaded))
    sys.exit(CODE_OF[study.verdict])


def _command(case: Path, asked: Asked) -> str:
    """The command as it is to be repeated: file, draws and changes."""
    words = ["margin", "estimate", str(case), *repeated(asked, "units", "seed")]
    words += ["--all-units"] if asked.all_units else []
    return shlex.join([*words, *repeated(asked, "elements", "changes")])


@contextmanager
def _options_named() -> Iterator[None]:
    """A way of computing that is not available, reported with the option that asked for it."""
    from margin.backends.compiled.choose import CannotCompile
    from margin.backends.device.device_array import NotOnDevice
    from margin.backends.device.space import GpuUnavailable

    try:
        yield
    except CannotCompile as fault:
        raise ValueError(f"--compiled: {fault}") from fault
    except (GpuUnavailable, NotOnDevice) as fault:
        raise ValueError(f"--gpu: {fault}") from fault
