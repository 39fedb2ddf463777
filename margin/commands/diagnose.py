"""`margin diagnose`: what of a prototype is unusual against its baseline."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from margin.commands.bench_options import bench_options, stated_again
from margin.commands.common import (
    OF_FILES,
    OF_SEED,
    Asked,
    asked_options,
    faults_shown,
    load,
    repeated,
    shown_and_saved,
)

NOTHING_UNUSUAL, UNUSUAL = 0, 1


@click.command(epilog="Exit codes: 0 nothing unusual, 1 something is unusual, 2 bad input, 130 interrupted.")
@click.argument("data", type=click.Path(path_type=Path))
@click.option(
    "--case",
    "case_file",
    type=click.Path(path_type=Path),
    metavar="CASE.toml",
    help="Case of the prototype, whose spreads are the baseline.",
)
@click.option(
    "--baseline",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Bench data of other sensors, or a fitted model made from them, as baseline in place of the case.",
)
@click.option(
    "--option", metavar="NAME", help="Calibration by which the firmware reports loads; else the first."
)
@click.option("--sensor", metavar="NAME", help="The prototype, where DATA holds several sensors.")
@click.option("--circuit", metavar="NAME", help="Only readings with this circuit; without it the first.")
@click.option("--interface", metavar="NAME", help="Only readings with this interface; without it the first.")
@click.option(
    "--circuits",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="Circuits that turn voltages into conductance; without it DATA.circuits.toml, else the case's own circuit.",
)
@bench_options
@click.option("--confidence", type=click.FloatRange(0.5, 1.0, max_open=True), default=0.95, show_default=True)
@click.option(
    "--units", type=click.IntRange(min=100), default=5000, show_default=True, help="Units drawn of the case."
)
@click.option("--age", metavar="TIME", help="Age at which DATA were read, such as '1000 h'; else a new unit.")
@click.option("--no-causes", is_flag=True, help="Compare only; rank no causes of what is unusual.")
@OF_SEED
@asked_options("changes", "elements", *OF_FILES)
def diagnose(
    data: Path,
    case_file: Path | None,
    baseline: Path | None,
    option: str | None,
    sensor: str | None,
    circuit: str | None,
    interface: str | None,
    circuits: Path | None,
    stated: dict[str, Any],
    confidence: float,
    units: int,
    age: str | None,
    no_causes: bool,
    seed: int | None,
    asked: Asked,
) -> None:
    """What is unusual about the prototype in DATA (as for margin bench) against its case or bench baseline."""
    with faults_shown():
        from margin.diagnose_study import diagnose as run_diagnose
        from margin.report.manifest import subject_of_bench

        case = None if case_file is None else load(case_file, asked)
        words = ["margin", "diagnose", str(data)]
        for name, values in (
            ("--case", [] if case_file is None else [case_file]),
            ("--circuits", [] if circuits is None else [circuits]),
            ("--confidence", [] if confidence == 0.95 else [confidence]),
            ("--units", [] if units == 5000 else [units]),
            ("--seed", [] if seed is None else [seed]),
        ):
            for value in values:
                words += [name, str(value)]
        words += [*stated_again(stated), *repeated(asked, "changes", "elements")]
        words += ["--no-causes"] if no_causes else []
        study = shown_and_saved(
            lambda stage: run_diagnose(
                data,
                case,
                baseline=baseline,
                option=option,
                sensor=sensor,
                circuit=circuit,
                interface=interface,
                circuits=circuits,
                confidence=confidence,
                units=units,
                seed=seed,
                age=0.0 if age is None else age,
                causes=not no_causes,
                command=words,
                stage=stage,
                **stated,
            ),
            subject_of_bench(data),
            asked,
        )
    sys.exit(NOTHING_UNUSUAL if study.nothing_unusual else UNUSUAL)
