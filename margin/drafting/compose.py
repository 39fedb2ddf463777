"""A case file as text: its tables in the order of the chain, and at the top what must be replaced."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

from distributions.errors import InvalidArgument
from margin.case import units
from margin.case.bands import PLAUSIBLE, SHIPPED, Bands, bands_for, kind_in_table
from margin.case.build import nominal_elements
from margin.case.faults import ValueFault
from margin.case.load import read_case
from margin.case.loads import DEFAULT_KINDS, chosen_loads
from margin.case.schema import kinds_of
from margin.case.tables import (
    DEFAULT_COUNTS,
    CalibrationTable,
    CaseTable,
    DesignCurveTable,
    LoadTable,
    RequirementTable,
    StudyTable,
    read_range,
)
from margin.case.types import Case, Role
from margin.chain.parameter import parameters_of
from margin.drafting.kinds import class_named, output_kinds, require_pair
from margin.drafting.lines import MARK, Line, element_lines, prose, table_lines
from margin.drafting.sizing import (
    Example,
    circuit_examples,
    element_of,
    sensor_examples,
    stated_as_shown,
)

_PERMISSIBLE = {"conductance": "larger of 15 % of reading and 2 % of span", "ratio": "0.5 % of span"}
_EFFORT = {
    "none": "the design curve for every unit",
    "tare": "the unloaded signal alone",
    "one-point": "sets the gain",
    "two-point": "sets gain and zero",
    "multi-point": "fits a curve",
}


@dataclass(frozen=True)
class Request:
    """What is to be drafted.

    sensor, circuit, interface  kinds, as a case names them
    loads     lowest and highest load as text, '2 N to 60 N'
    unstated  what [case] unstated says; None leaves the shipped bands
    elements  name of the file that registers a kind of one's own; None without one
    """

    sensor: str
    circuit: str
    loads: str
    interface: str = "direct"
    unstated: str | None = None
    elements: str | None = None


@dataclass(frozen=True)
class Drafted:
    """A drafted case file.

    text     of the file
    replace  keys with an example value, 'sensor.sensitivity'
    fault    why the case does not load yet: own elements may refuse the example values; None where it loads
    """

    text: str
    replace: tuple[str, ...]
    fault: str | None


def compose(request: Request, path: Path | None = None) -> Drafted:
    """Draft a case file.

    path  where the case will be, beside which a table of bands of one's own is looked for

    Raises ValueError for unknown kinds and for a circuit that does not accept the sensor, ValueFault for a range
    that is none, CaseError for a faulty table of bands.
    """
    require_pair(request.sensor, request.circuit)
    class_named("interface", request.interface)
    try:
        low, high = read_range(request.loads)
    except ValueFault as wrong:
        raise InvalidArgument(f"range {request.loads!r}: {wrong}") from wrong
    place = path.parent / request.unstated if path is not None and request.unstated else None
    kept = request.unstated if place is not None and place.exists() else None
    bands = bands_for(kept or PLAUSIBLE, path, request.unstated or SHIPPED.name)
    tables = _Tables(request, low, high, bands)
    sections = list(tables.sections())
    case, fault = _read("\n".join(["[case]", *(line for part in sections for line in part)]))
    examples = list(tables.further(case))
    body = "\n".join("\n".join(part) for part in (tables.about(), *sections, *examples))
    head = "\n".join(tables.head(fault, path.name if path is not None else "CASE.toml"))
    return Drafted(f"{head}\n\n{body}", tuple(tables.replace), fault)


def _read(text: str) -> tuple[Case | None, str | None]:
    """The case of a text with the shipped bands, or why there is none."""
    try:
        case = read_case(text)
        nominal_elements(case)
    except ValueError as error:
        return None, str(error)
    return case, None


class _Tables:
    """The parts of the file, each a list of lines that ends with an empty one."""

    def __init__(self, request: Request, low: float, high: float, bands: Bands) -> None:
        self.request, self.low, self.high, self.bands = request, low, high, bands
        sensor, circuit = request.sensor, request.circuit
        self.classes: dict[Role, type] = {
            "interface": class_named("interface", request.interface),
            "sensor": class_named("sensor", sensor),
            "circuit": class_named("circuit", circuit),
        }
        kinds = output_kinds(self.classes["sensor"])
        accepts = getattr(self.classes["circuit"], "accepts", "conductance")
        self.output_kind = accepts if kinds is None or accepts in kinds else kinds[0]
        of_interface = stated_as_shown("interface", self.classes["interface"])
        of_sensor = sensor_examples(sensor, self.classes["sensor"], self.output_kind, low, high)
        self.examples: dict[Role, dict[str, Example]] = {"interface": of_interface, "sensor": of_sensor}
        self.examples["circuit"] = self.sized()
        self.replace = ["requirement.permissible_error"]
        self.replace += [f"{role}.{key}" for role, found in self.examples.items() for key in found]

    def sized(self) -> dict[str, Example]:
        """Example values of the circuit; not sized to a sensor or interface that refuses its own example values."""
        request, cls = self.request, self.classes["circuit"]
        try:
            interface = self.made("interface", request.interface)
            sensor = self.made("sensor", request.sensor)
            return circuit_examples(request.circuit, cls, sensor, interface, self.low, self.high)
        except (ValueError, ArithmeticError):
            return stated_as_shown("circuit", cls)

    def made(self, role: Role, kind: str) -> Any:
        """The element with its example values. Raises ValueError where it refuses them."""
        return element_of(role, kind, self.classes[role], self.examples[role])

    def head(self, fault: str | None, name: str) -> Iterator[str]:
        """What the file of this name is, and what to do with it."""
        request = self.request
        yield from prose(
            f"First case: sensor '{request.sensor}', circuit '{request.circuit}', interface '{request.interface}', "
            f"{request.loads}. No value in this file was measured."
        )
        yield "#"
        yield from prose(
            "A line counts as it stands; a line such as '# creep = ...' counts only without its '#'. Replace first, "
            f"each marked '{MARK}':"
        )
        for role in dict.fromkeys(name.split(".")[0] for name in self.replace):
            keys = [name.split(".")[1] for name in self.replace if name.startswith(f"{role}.")]
            yield f"#   [{role}] {', '.join(keys)}"
        yield "#"
        table = request.unstated or "margin/case/plausible_bands.toml"
        yield from prose(
            "Effects of the sensor and conditions of use that the case leaves unstated count at plausible bands from "
            f"{table}, and are listed as assumed. "
            + (
                "Edit that table for all cases that name it."
                if request.unstated
                else "To edit them for all your cases at once: margin draft ... --bands our_bands.toml writes a "
                'copy of the table beside the case and names it by unstated = "our_bands.toml".'
            )
        )
        if request.elements is not None:
            yield "# Kinds of one's own, for which every command needs:"
            yield f"#   --elements {request.elements}"
        if fault is not None:
            yield "#"
            yield from prose(f"This case does not load yet: {' '.join(fault.split())}")
        yield "#"
        yield from prose(f"Next: margin check {name}, then margin estimate {name} --out report")

    def about(self) -> list[str]:
        """The table [case]."""
        request = self.request
        name = f"{request.sensor}, {request.circuit}, {request.loads}"[:200]
        stated = {"name": Example(name), "data": Example("example values, nothing measured")}
        if request.unstated is not None:
            stated["unstated"] = Example(request.unstated, "table of bands beside this file")
        written = {
            "notes": "what is worth remembering",
            "reference_temperature": "25 degC",
            "reference_humidity": "50 %RH",
        }
        return _table("[case]", table_lines(CaseTable, stated, written))

    def sections(self) -> Iterator[list[str]]:
        """All tables but [case], in the order of the chain."""
        yield _table("[load]", table_lines(LoadTable, {"range": Example(self.request.loads)}, {}))
        permissible = _PERMISSIBLE.get(self.output_kind, _PERMISSIBLE["conductance"])
        stated = {"permissible_error": Example(permissible, MARK)}
        yield _table("[requirement]", table_lines(RequirementTable, stated, DEFAULT_COUNTS))
        for role in ("interface", "sensor", "circuit"):
            kind = getattr(self.request, role)
            yield self.element(role, kind, self.classes[role], self.examples[role])
        yield self.element(
            "converter", "converter", kinds_of("converter")["converter"], {"bits": Example(12)}
        )
        yield self.element("firmware", "firmware", kinds_of("firmware")["firmware"], {})
        conditions = {"dwell": "1 s", "branch": "up", "temperature": "25 degC", "humidity": "50 %RH"}
        yield _table(
            "[design_curve]",
            table_lines(DesignCurveTable, {}, conditions),
            "The curve that firmware turns round. Unstated, its conditions are those at which the sensor's values "
            "hold.",
        )
        yield self.element("use", "use", kinds_of("use")["use"], {})
        yield self.element("station", "station", kinds_of("station")["station"], {})
        yield from self.calibrations()
        yield _table("[study]", table_lines(StudyTable, {}, {"outer": 200}))

    def element(self, role: Role, kind: str, cls: type, examples: Mapping[str, Example]) -> list[str]:
        """Table of an element with its bands."""
        options = {key: each.value for key, each in examples.items()}
        bands = self.bands.entries.get((role, kind_in_table(role, kind, options)), {})
        lines = list(element_lines(role, kind, cls, examples, bands))
        if role == "interface" and len(lines) == 2:
            others = ", ".join(repr(each) for each in kinds_of("interface") if each != kind)
            lines += prose(f"Other interfaces, with --interface: {others}.")
        return [*lines, ""]

    def calibrations(self) -> Iterator[list[str]]:
        """The options by effort; the keys that an option may state stand once, behind the last."""
        yield [*prose("Calibration options, by effort: all are compared on the same units."), ""]
        for kind in DEFAULT_KINDS:
            stated = {"kind": Example(kind, _EFFORT.get(kind, ""))}
            loads = chosen_loads(kind, False, self.low, self.high)
            last = kind == DEFAULT_KINDS[-1]
            written: dict[str, Any] = {
                "loads": [units.show(load, "N") for load in loads] or None,
                "name": kind,
            }
            written |= {"degree": 2}
            lines = list(table_lines(CalibrationTable, stated, written))
            shown = (
                lines if last else [line for line in lines if line.counts or (line.key == "loads" and loads)]
            )
            yield _table("[[calibration]]", shown)

    def further(self, case: Case | None) -> Iterator[list[str]]:
        """Tables that a case may have besides, behind '#': shared parts, dependences, conditions, a history."""
        yield [
            *prose("Examples of tables that a case may have besides; take off the '#' of all their lines."),
            "",
        ]
        keys = ["circuit.reference", "converter.full_scale"]
        if "reference" in parameters_of(self.classes["circuit"]):
            yield _hidden(
                "[[shared]]",
                [Line("keys", keys, "one part behind both keys: its deviation is drawn once")],
            )
        pair = None if case is None else _pair(case)
        if pair is not None:
            yield _hidden(
                "[[dependence]]",
                [
                    Line("between", list(pair[:2]), "move together from unit to unit"),
                    Line("level", pair[2]),
                    Line("rank_correlation", 0.3),
                ],
            )
        yield _hidden(
            "[[use.condition]]",
            [
                Line("name", "hot afternoon", "a named condition; what it states replaces what [use] states"),
                Line("temperature", "30 degC to 40 degC"),
            ],
        )
        top, bottom = (units.show(load, "N") for load in (self.high, self.low))
        yield [
            *prose(
                "Loads of the use in their order, in place of [load] check and of [requirement] readings:"
            ),
            "#   [history]",
            f'#   steps = ["{top} for 1 s, read", "0 N for 5 s", "{bottom} for 1 s, read"]',
            "#   repeat = 3",
            "",
        ]


def _pair(case: Case) -> tuple[str, str, str] | None:
    """Two quantities of the sensor that are drawn at the level of the unit."""
    drawn = [
        quantity.name
        for quantity in case.elements["sensor"].quantities.values()
        if any(spread.level == "unit" for spread in quantity.spreads) and quantity.band is None
    ]
    return next(((first, second, "unit") for first, second in combinations(drawn, 2)), None)


def _table(head: str, lines: Any, about: str = "") -> list[str]:
    return [head, *prose(about), *(text for line in lines for text in line.text()), ""]


def _hidden(head: str, lines: list[Line]) -> list[str]:
    return [f"# {head}", *(text for line in lines for text in line.text()), ""]
