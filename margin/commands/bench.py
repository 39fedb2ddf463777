"""`margin bench`: figures of merit, fits and spreads of sensors, and what to measure next."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from margin.commands.bench_options import bench_options
from margin.commands.common import OF_REPLACE, faults_shown, require_place, say, stages


@click.command(epilog="Exit codes: 0 characterised, 2 bad input, 130 interrupted.")
@click.argument("data", type=click.Path(path_type=Path))
@click.option(
    "--sensor-kind",
    type=click.Choice(["thin film", "strain-gauge bridge"]),
    help="Kind of sensor; without it that of the case, else by the column of the output.",
)
@click.option("--circuit", metavar="NAME", help="Only readings with this circuit; without it each, compared.")
@click.option(
    "--interface", metavar="NAME", help="Only readings with this interface; without it each, compared."
)
@click.option(
    "--circuits",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="Circuits that read the bench, by name; without it DATA.circuits.toml, else the circuit of the case.",
)
@click.option(
    "--reference-load", metavar="LOAD", help="Load at which the sensitivity is stated, such as '20 N'."
)
@bench_options
@click.option(
    "--propose",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="Write what the columns are taken for to a mapping file, show it, and stop.",
)
@click.option(
    "--condense",
    is_flag=True,
    help="Keep means of stays, not readings: a file of any length in bounded memory. Rows that cannot be read are "
    "left out and counted.",
)
@click.option("--confidence", type=click.FloatRange(0.5, 1.0, max_open=True), default=0.95, show_default=True)
@click.option(
    "--case",
    "case_file",
    type=click.Path(path_type=Path),
    metavar="CASE.toml",
    help="Case whose yield is looked ahead to, with more sensors behind its measured spreads.",
)
@click.option("--calibration", metavar="NAME", help="Calibration option of the case whose yield that is.")
@click.option(
    "--model",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="Write the fitted sensor for a case.",
)
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help="Write the report there.")
@OF_REPLACE
@click.option("--quiet", is_flag=True, help="No progress and no summary: exit code and files only.")
def bench(
    data: Path,
    sensor_kind: str | None,
    circuit: str | None,
    interface: str | None,
    circuits: Path | None,
    reference_load: str | None,
    stated: dict[str, Any],
    propose: Path | None,
    condense: bool,
    confidence: float,
    case_file: Path | None,
    calibration: str | None,
    model: Path | None,
    out: Path | None,
    replace: bool,
    quiet: bool,
) -> None:
    """Figures of merit, fits and spreads of the sensors in DATA (text or .xlsx), and how much more to measure."""
    with faults_shown():
        from margin.bench_study import characterise
        from margin.case.load import load_case
        from margin.case.model_file import endurance_in
        from margin.report import files
        from margin.report.manifest import subject_of_bench

        load = None if reference_load is None else _load(reference_load)
        if calibration is not None and case_file is None:
            raise click.UsageError("--calibration names an option of a case: give --case CASE.toml too")
        if propose is not None:
            require_place(propose, "--propose", (data, circuits, case_file))
            _propose(data, propose, stated, quiet)
            return
        if model is not None:
            require_place(model, "--model", (data, circuits, case_file, stated["mapping"]))
        if out is not None:
            files.require_writable(out, subject_of_bench(data), replace=replace)
        case = None if case_file is None else load_case(case_file)
        ageing = None if model is None else endurance_in(model)
        with stages(quiet) as stage:
            found = characterise(
                data,
                kind=sensor_kind,  # type: ignore[arg-type]
                circuit=circuit,
                interface=interface,
                circuits=circuits,
                reference_load=load,
                confidence=confidence,
                case=case,
                calibration=calibration,
                condense=condense,
                stage=stage,
                **stated,
            )
        if not quiet:
            say(str(found), nl=False)
        for kind, place in (
            ("Model", None if model is None else found.save_model(model)),
            ("Report", None if out is None else found.save(out, replace=replace)),
        ):
            if place is not None and not quiet:
                say(f"\n{kind}: {place}")
        if ageing is not None and not quiet:
            say(
                f"The model that was there had an ageing; put it in again: margin endurance {ageing} --into {model}"
            )


def _propose(data: Path, file: Path, stated: dict[str, Any], quiet: bool) -> None:
    """Write the proposed mapping and show it."""
    from margin.bench.data.mapping_file import mapping_text, statements
    from margin.bench.data.table import propose_table

    of_file, wanted = statements(data, **stated)
    layout, found = propose_table(data, of_file, wanted)
    text = mapping_text(layout, found, wanted)
    file.write_text(text, encoding="utf-8", newline="\n")
    if not quiet:
        click.echo(text)
        click.echo(f"Mapping: {file}; use it with --mapping {file}")


def _load(text: str) -> float:
    """A load in N."""
    from margin.case.faults import ValueFault
    from margin.case.tables import read_single

    try:
        return read_single(text, "N")
    except ValueFault as fault:
        raise click.UsageError(f"--reference-load '{text}': {fault}") from fault
