"""The Python face of diagnosis: `margin.diagnose(data, case)`."""

from __future__ import annotations

import dataclasses
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from distributions.errors import InvalidArgument
from margin.bench import BenchData, read_bench
from margin.bench.circuits import circuits_file, conductances, read_circuits
from margin.bench.data.mapping_file import statements
from margin.case.again import words_of
from margin.case.load import as_case
from margin.case.model_file import read_model
from margin.case.types import Case
from margin.diagnosis.baseline import UNITS, Baseline, from_case, from_units
from margin.diagnosis.causes_found import causes_found, why_no_causes
from margin.diagnosis.comparison import CONFIDENCE, compared
from margin.diagnosis.prototype import Prototype, prototypes_of, the_one
from margin.diagnosis.result import (
    Diagnosed,
    causes_frame,
    figures_frame,
    missing_frame,
    steps_frame,
    tests_frame,
)
from margin.estimates.stages import Stage, no_progress
from margin.report import diagnosis_figures, diagnosis_page
from margin.report.shown import Shown, drawn, require_known
from margin.service.hours import hours_of
from margin.version import version

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, repr=False)
class DiagnoseStudy(Shown):
    """A prototype compared with its baseline. Printing it, or naming it in a notebook, shows what is unusual first.

    command  that gives the same result again

    >>> import margin
    >>> study = margin.diagnose("bench.csv", "case.toml", sensor="S0", units=1000)
    >>> study.nothing_unusual in (True, False)
    True
    >>> figure = study.figures_by_position()
    """

    found: Diagnosed
    command: str

    @property
    def nothing_unusual(self) -> bool:
        """Whether all figures lie within what production, remounting and measurement explain."""
        return self.found.comparison.nothing_unusual

    @property
    def unusual(self) -> tuple[str, ...]:
        """Names of the unusual figures, the least likely first."""
        return tuple(one.figure.name for one in self.found.comparison.unusual)

    @property
    def figures(self) -> pd.DataFrame:
        """Figures of merit of the prototype, one row each, the least likely first.

        Columns:
            figure              [text] name
            value               [SI]   of the prototype, in the unit of `unit`
            expected, low, high [SI]   expected of an unchanged unit, and the limits within which it lies
            unit                [text] of the four
            position            [1]    of the value: 0 as expected, -1 and 1 at the limits
            p                   [1]    chance that an unchanged unit lies so far out
            p_adjusted          [1]    the same, for as many comparisons (Holm)
            unusual             [bool] whether that is too small
            definition          [text] what is meant
        """
        return figures_frame(self.found)

    @property
    def missing(self) -> pd.DataFrame:
        """Figures that the data cannot give, one row each.

        Columns:
            what    [text] figure
            why     [text] what is missing
            measure [text] what to measure
        """
        return missing_frame(self.found)

    @property
    def steps(self) -> pd.DataFrame:
        """Error of the prototype at each step of its load cycle, with what is expected of unchanged units.

        Columns:
            load_N                        [N]    applied load
            branch                        [text] 'up' or 'down'
            error_N                       [N]    mean error of the prototype
            expected_N, low_N, high_N     [N]    median of the baseline's units, and the limits that hold them
        """
        return steps_frame(self.found)

    @property
    def causes(self) -> pd.DataFrame:
        """Causes of what is unusual, one row each, the most probable first; empty where none were ranked.

        Columns:
            cause           [text] name in the catalogue
            part            [text] 'sensor', 'mechanics', 'circuit', ...
            probability     [1]    of the cause, among the catalogue, nothing unusual and none of the catalogue
            size            [text] of the change, with its 95 % interval
            alike           [1]    number of its class: causes of one class act alike in these readings
            contradicted_by [text] features that it leaves unexplained
        """
        return causes_frame(self.found)

    @property
    def tests(self) -> pd.DataFrame:
        """Further tests, by the information that they are expected to give for their effort; empty without causes.

        Columns:
            test        [text] what to do
            information [1]    expected, in bits
            minutes     [1]    effort
            separates   [text] causes between which it most likely decides
        """
        return tests_frame(self.found)

    def error_over_load(self) -> Figure:
        """Error of the prototype (N) over the load on both branches, in the band of unchanged units."""
        return drawn(lambda: diagnosis_figures.error_over_load(self.found))

    def figures_by_position(self) -> Figure:
        """Figures of merit by their place in the prediction interval of each (1: at its limit)."""
        return drawn(lambda: diagnosis_figures.figures_by_position(self.found))

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figures, JSON and CSV; the path of the page. `replace`: also in place of the report of other
        data."""
        return diagnosis_page.write(self.found, self.command, Path(folder), replace=replace)

    def __str__(self) -> str:
        return diagnosis_page.render(self.found, self.command)

    def _repr_html_(self) -> str:
        return diagnosis_page.notebook_html(self.found, self.command)


def diagnose(
    data: str | Path | pd.DataFrame,
    case: Case | str | Path | None = None,
    *,
    baseline: str | Path | pd.DataFrame | None = None,
    option: str | None = None,
    sensor: str | None = None,
    circuit: str | None = None,
    interface: str | None = None,
    circuits: str | Path | Mapping[str, Any] | None = None,
    confidence: float = CONFIDENCE,
    units: int = UNITS,
    seed: int | None = None,
    age: float | str = 0.0,
    causes: bool = True,
    output_unit: str | None = None,
    columns: Mapping[str, str | Sequence[str]] | None = None,
    mapping: str | Path | None = None,
    sheet: str | None = None,
    wide: str | None = None,
    command: Sequence[str] = (),
    stage: Stage = no_progress,
) -> DiagnoseStudy:
    """Compare a prototype with what its baseline makes of one more unchanged unit.

    data        readings of the prototype, as `margin.characterise` takes them: voltage or code of the case's own
                circuit, conductance or ratio of the sensor, or loads that its firmware reports (output, unit N)
    case        whose spreads are the baseline, by units drawn; or the path of its file
    baseline    bench data of other sensors, or a fitted model, whose bench is then read; it goes before the case
    option      calibration by which the firmware reports loads; None: the first of the case
    sensor      name of the prototype where the data hold several sensors; its readings at the bench are left out
    circuit, interface  of the readings, where the data hold several; None: the first
    circuits    what turns voltages into conductance, as for `margin.characterise`; None: DATA.circuits.toml beside
                the data, else voltages are read as those of the case's circuit
    confidence  1 less the chance that an unchanged prototype is called unusual
    units, seed drawn of the case; their seed in place of the case's
    age         of the prototype when it was read, such as '1000 h' or a number in h of service as the case states it
    causes      rank the causes of what is unusual, and propose tests: tens of seconds
    output_unit, columns, mapping, sheet, wide  as for `margin.characterise`
    command     words of the command up to its options, for the line that runs it again

    Raises InvalidArgument without a baseline or where data and baseline do not fit, BenchDataError for data that cannot
    be read, NotMeasurableError where no figure can be had, CaseError for a path without a sound case.

    >>> import margin
    >>> study = margin.diagnose("bench.csv", "case.toml", sensor="S1", units=1000)
    >>> "hysteresis" in study.figures["figure"].tolist()
    True
    """
    if case is None and baseline is None:
        raise InvalidArgument(
            "no baseline: give the case of the prototype, or bench data or a fitted model of its sensor (baseline)"
        )
    of_case = None if case is None else as_case(case)
    if of_case is not None and option is not None:
        require_known("calibration option", option, (one.name for one in of_case.calibrations))
    stated = {
        "output_unit": output_unit, "columns": columns, "mapping": mapping, "sheet": sheet, "wide": wide,
    }  # fmt: skip
    read = _read(data, stated)
    if circuits is not None and not isinstance(circuits, Mapping):
        circuits = read_circuits(Path(circuits))
    hours = hours_of("age", age)
    if baseline is not None and hours != 0.0:
        raise InvalidArgument(
            "an age is that of units of a case: compare with the case in place of the bench"
        )
    stage("prototype compared with its baseline", 1)
    if baseline is None:
        assert of_case is not None
        own = the_one(_units(read, data, circuits, circuit, interface), read.source, sensor)
        found = from_case(of_case, own, option=option, units=units, seed=seed, age=hours)
    else:
        own, found = _with_bench(read, data, baseline, sensor, circuit, interface, circuits)
    drawn_by = of_case.study.seed if of_case is not None and seed is None else seed
    comparison = compared(found, confidence)
    lacks = "nothing is unusual" if comparison.nothing_unusual else why_no_causes(own, found)
    lacks = lacks if causes else "they were not asked for"
    ranked = causes_found(of_case, own, found) if lacks is None and of_case is not None else None
    by = drawn_by if found.by == "case" else None
    result = Diagnosed(read.source, own, found, comparison, by, version(), ranked, lacks or "")
    return DiagnoseStudy(
        result, _command(command, read.source, of_case, baseline, option, sensor, circuit, interface, hours)
    )


def _read(data: str | Path | pd.DataFrame, stated: Mapping[str, Any]) -> BenchData:
    if not isinstance(data, pd.DataFrame) and not Path(data).is_file():
        what = "a folder, not a file; name the file in it" if Path(data).is_dir() else "there is no such file"
        raise InvalidArgument(f"{data}: {what}")
    layout, wanted = statements(data, **stated)
    return read_bench(data, stated["output_unit"], wanted=wanted, stated=layout)


def _units(
    read: BenchData,
    data: str | Path | pd.DataFrame,
    circuits: Mapping[str, Any] | None,
    circuit: str | None,
    interface: str | None,
) -> list[Prototype]:
    """Units of the data; voltages become conductances where their circuits are described."""
    for column, wanted in (("circuit", circuit), ("interface", interface)):
        if wanted is not None:
            there = [str(name) for name in read.frame[column].unique()]
            if wanted not in there:
                raise InvalidArgument(
                    f"{read.source}: no {column} {wanted!r}; there are {', '.join(map(repr, there))}"
                )
    if circuit is not None:
        read = dataclasses.replace(read, frame=read.frame[read.frame["circuit"] == circuit])
    if read.quantity == "voltage":
        described: Mapping[str, Any] = {}
        if circuits is not None:
            described = circuits
        elif not isinstance(data, pd.DataFrame) and circuits_file(data).is_file():
            described = read_circuits(circuits_file(data))
        if described:
            read = conductances(read, described)
    return prototypes_of(read, circuit=circuit, interface=interface)


def _with_bench(
    read: BenchData,
    data: str | Path | pd.DataFrame,
    baseline: str | Path | pd.DataFrame,
    sensor: str | None,
    circuit: str | None,
    interface: str | None,
    circuits: Mapping[str, Any] | None,
) -> tuple[Prototype, Baseline]:
    """The prototype and the units of a bench, or of the bench behind a fitted model."""
    of_bench: str | Path | pd.DataFrame = baseline
    setup: tuple[str | None, str | None] = (circuit, interface)
    if not isinstance(baseline, pd.DataFrame) and Path(baseline).suffix.lower() == ".toml":
        path = Path(baseline)
        model = read_model(path.name, path)
        of_bench = path.parent / model.about.data
        if model.data != "as fitted":
            raise InvalidArgument(
                f"{path}: its bench data {model.about.data!r} are {model.data}: give the bench data "
                "themselves, or fit the model again"
            )
        setup = (model.about.circuit or None, model.about.interface or None)
    bench = _read(
        of_bench, {"output_unit": None, "columns": None, "mapping": None, "sheet": None, "wide": None}
    )
    others = _units(bench, of_bench, circuits, *setup)
    # a prototype at the bench's own circuit is turned into conductance as the bench is
    if circuits is None and not isinstance(of_bench, pd.DataFrame) and circuits_file(of_bench).is_file():
        beside = not isinstance(data, pd.DataFrame) and circuits_file(data).is_file()
        named = {str(name) for name in read.frame["circuit"].unique()}
        described = read_circuits(circuits_file(of_bench))
        if not beside and named <= set(described):
            circuits = described
    own = the_one(_units(read, data, circuits, circuit, interface), read.source, sensor)
    same = not isinstance(data, pd.DataFrame) and not isinstance(of_bench, pd.DataFrame)
    if same and Path(str(data)).resolve() == Path(str(of_bench)).resolve():
        others = [one for one in others if one.label != own.label]
    name = "the frame given as baseline" if isinstance(of_bench, pd.DataFrame) else Path(of_bench).name
    return own, from_units(own, others, name)


def _command(
    words: Sequence[str],
    source: str,
    case: Case | None,
    baseline: str | Path | pd.DataFrame | None,
    option: str | None,
    sensor: str | None,
    circuit: str | None,
    interface: str | None,
    hours: float,
) -> str:
    """The line that gives the result again."""
    if not words:
        words = ["margin", "diagnose", source]
        if case is not None and case.path is not None:
            words += ["--case", *words_of(case, "diagnose")[2:]]
    line = list(words)
    for name, value in (
        ("--baseline", None if isinstance(baseline, pd.DataFrame) else baseline),
        ("--option", option),
        ("--sensor", sensor),
        ("--circuit", circuit),
        ("--interface", interface),
        ("--age", None if hours == 0.0 else f"{hours:.17g} h"),
    ):
        if value is not None:
            line += [name, str(value)]
    return shlex.join(line)
