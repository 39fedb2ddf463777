"""A drafted case loads, leaves headroom, and shows every quantity that its elements declare."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import margin
from margin.case import Case, CaseError, read_case
from margin.case.bands import SHIPPED, bands_for, kind_in_table
from margin.case.build import nominal_elements
from margin.case.schema import kinds_of, quantities_of
from margin.chain.chain import Chain
from margin.chain.checks import headroom
from margin.chain.elements import Contact
from margin.chain.parameter import options_of
from margin.chain.registry import ELEMENTS
from margin.chain.setting import Setting
from margin.drafted_case import FileExists
from margin.drafting import Request, accepting, compose
from margin.drafting.lines import MARK
from margin.drafting.sizing import middle_load, rated_load
from margin.estimates.design_checks import design_checks
from margin.propagation.factors import factors_of
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of

PAIRS = [(sensor, circuit) for sensor, cls in ELEMENTS["sensor"].items() for circuit in accepting(cls)]
RANGES = ["0.5 N to 5 N", "2 N to 60 N", "0 N to 1 kN", "100 kN to 3 MN", "0.5 N to 3 MN"]
KEY_LINE = re.compile(r"^# (?=[a-z_]+ = |\[)", re.MULTILINE)


def chain_of(case: Case) -> Chain:
    """The chain of a case at nominal values."""
    made = nominal_elements(case)
    return Chain(made["interface"], made["sensor"], made["circuit"], made["converter"])


def uncommented(text: str) -> str:
    """The text with every key and every table that stands behind a '#' stated."""
    return KEY_LINE.sub("", text)


@pytest.mark.parametrize("loads", RANGES)
@pytest.mark.parametrize(("sensor", "circuit"), PAIRS)
def test_every_pair_loads_and_leaves_headroom(sensor: str, circuit: str, loads: str) -> None:
    """Nominal top load, and that of a unit a tenth as sensitive again, are within swing and converter range."""
    drafted = compose(Request(sensor, circuit, loads))
    assert drafted.fault is None
    case = read_case(drafted.text)
    chain = chain_of(case)
    setting = Setting(peak=case.load_high)
    response = chain.respond(np.asarray(case.check_loads), setting)
    assert float(np.squeeze(headroom(chain, response, np.asarray(case.check_loads)))) > 0.0
    assert not np.any(np.broadcast_to(response.clipped, (len(case.check_loads),))[1:])
    sensitive = chain.sensor.output(Contact(case.load_high), setting) * 1.1
    voltage = float(chain.circuit.voltage(sensitive, setting))
    assert 0.0 < voltage < float(chain.circuit.reference_voltage(setting))
    counts = np.broadcast_to(response.counts, (len(case.check_loads),))
    assert abs(counts[-1] - counts[1]) > (4 if loads == "0.5 N to 3 MN" else 100), (
        "the signal spans the range"
    )


@pytest.mark.parametrize("loads", RANGES)
@pytest.mark.parametrize(("sensor", "circuit"), PAIRS)
def test_units_drawn_with_their_bands_leave_headroom(sensor: str, circuit: str, loads: str) -> None:
    """The design check of the headroom is passed by 99.9 % of the units, in their worst condition of use."""
    case = read_case(compose(Request(sensor, circuit, loads)).text)
    (check,) = (
        each for each in design_checks(model_of(case), plan_of(case)) if each.name.startswith("headroom")
    )
    assert check.verdict == "kept"


@pytest.mark.parametrize(("sensor", "circuit"), [PAIRS[0], PAIRS[4], PAIRS[-1]])
def test_a_drafted_case_is_estimated(sensor: str, circuit: str) -> None:
    """A study of each kind of sensor runs, with all five calibration options."""
    case = read_case(compose(Request(sensor, circuit, "2 N to 60 N")).text)
    small = margin.change(case, {"study.units": 640, "study.outer": 20, "study.units_per_lot": 4})
    results = margin.estimate(small, budget=False, compiled=False).results
    assert [option.name for option in results.options] == [
        "none", "tare", "one-point", "two-point", "multi-point",
    ]  # fmt: skip
    assert all(np.isfinite(option.errors["p95_abs_N"]).all() for option in results.options)


@pytest.mark.parametrize(("sensor", "circuit"), PAIRS)
def test_every_declared_quantity_and_choice_is_a_line(sensor: str, circuit: str) -> None:
    """Nothing that an element of the case declares is absent from the file, stated or behind a '#'."""
    text = compose(Request(sensor, circuit, "2 N to 60 N", "load concentrator")).text
    kinds = {"interface": "load concentrator", "sensor": sensor, "circuit": circuit}
    for role in ("interface", "sensor", "circuit", "converter", "firmware", "use", "station"):
        cls = kinds_of(role)[kinds.get(role, role)]
        table = text.partition(f"\n[{role}]\n")[2].partition("\n[")[0]
        for key in (*quantities_of(cls), *options_of(cls)):
            assert re.search(rf"^(# )?{key} = ", table, re.MULTILINE), f"{role}.{key}"


@pytest.mark.parametrize(("sensor", "circuit"), PAIRS)
def test_all_that_is_behind_a_sign_is_valid_when_stated(sensor: str, circuit: str) -> None:
    """Every commented line and table, the examples of further tables included, may be stated as it is."""
    text = uncommented(compose(Request(sensor, circuit, "2 N to 60 N", "load concentrator")).text)
    assert "\n[[shared]]" in text and "\n[[dependence]]" in text and "\n[[use.condition]]" in text
    case = read_case(text)
    assert len(case.dependences) == 1
    assert [condition.name for condition in case.conditions] == ["hot afternoon"]
    factors_of(case)


@pytest.mark.parametrize(("sensor", "circuit"), PAIRS)
def test_the_load_history_at_the_end_may_be_stated(sensor: str, circuit: str) -> None:
    """The example of a history holds in the case as drafted, whose numbers of loads and readings stay behind a sign."""
    text = compose(Request(sensor, circuit, "2 N to 60 N")).text
    case = read_case(re.sub(r"^#   (?=\[history\]|steps = |repeat = )", "", text, flags=re.MULTILINE))
    assert case.history is not None and len(case.history.loads) == 9
    assert case.check_loads == (2.0, 60.0)


@pytest.mark.parametrize(("sensor", "circuit"), [PAIRS[0], PAIRS[4], PAIRS[-1]])
def test_bands_are_behind_a_sign_and_stating_one_changes_its_origin_only(sensor: str, circuit: str) -> None:
    """A band counts from the table; its line, stated, gives the same distribution."""
    text = compose(Request(sensor, circuit, "2 N to 60 N")).text
    case = read_case(text)
    kind = kind_in_table("sensor", sensor, case.elements["sensor"].options)
    bands = bands_for("plausible bands", None, "case").entries["sensor", kind]
    for key, band in bands.items():
        if band.needs is not None:
            continue
        line = re.search(rf"^# {key} = .*$", text, re.MULTILINE)
        assert line is not None
        stated = read_case(text.replace(line.group(), line.group()[2:])).elements["sensor"].quantities[key]
        unstated = case.elements["sensor"].quantities[key]
        assert unstated.band is not None and stated.band is None
        assert (stated.nominal, stated.spreads) == (unstated.nominal, unstated.spreads)


def test_marked_lines_are_those_listed_at_the_top() -> None:
    """What must be replaced is listed once and marked once."""
    drafted = compose(Request("thin film", "voltage divider", "2 N to 60 N"))
    head, _, body = drafted.text.partition("\n[case]\n")
    marked = [line.split(" = ")[0] for line in body.splitlines() if MARK in line]
    assert marked == [name.split(".")[1] for name in drafted.replace]
    assert all(name.split(".")[1] in head for name in drafted.replace)
    assert "circuit.resistor" in drafted.replace and "load.range" not in drafted.replace


def test_example_values_follow_from_the_range() -> None:
    """Film anchored at the geometric middle; divider by the resistance of the film there, where its span is widest.

    d/dR of R Gh / (1 + R Gh) - R Gl / (1 + R Gl) is zero at R = 1 / sqrt(Gl Gh); E24 values are within 5 % of any.
    """
    case = read_case(compose(Request("thin film", "voltage divider", "2 N to 60 N")).text)
    sensor, circuit = case.elements["sensor"].quantities, case.elements["circuit"].quantities
    assert sensor["reference_load"].nominal == pytest.approx(np.sqrt(2.0 * 60.0), rel=0.01)
    made = nominal_elements(case)["sensor"]
    low, high = (made.output(Contact(load), Setting()) for load in (2.0, 60.0))
    assert circuit["resistor"].nominal == pytest.approx(1.0 / np.sqrt(low * high), rel=0.06)


@pytest.mark.parametrize(("high", "rated"), [(60.0, 100.0), (5.0, 5.0), (3e6, 5e6), (0.7, 1.0)])
def test_rated_load_is_the_next_of_1_2_5(high: float, rated: float) -> None:
    """Load cells are rated in steps of 1, 2, 5 (common practice, no source)."""
    assert rated_load(high) == pytest.approx(rated)
    assert 0.0 < middle_load(0.0, high) < high


OWN = """
from dataclasses import dataclass
import numpy as np
import margin
from margin.chain.parameter import option, parameter
from margin.chain.elements import Contact

@dataclass(frozen=True, kw_only=True)
class Root:
    '''Conductance that grows with the root of the load.'''
    kind = "{kind}"
    output_kind = "conductance"
    voltage_coefficient = 0.0
    voltage_reference = 1.0
    scale: float = parameter("S", positive=True, doc="conductance at the anchor")
    anchor: float = parameter("N", positive=True, doc="load of the anchor")
    softening: float = parameter("1/K", 0.0, doc="softening of the film")
    grid: str = option("fine", choices=("fine", "coarse"), doc="its grid")
    def output(self, contact, setting):
        return self.scale * np.sqrt(contact.force / self.anchor)
    def force_from(self, output, setting):
        return self.anchor * (output / self.scale) ** 2

margin.register("sensor", Root)
"""


def test_elements_of_ones_own_appear_by_themselves(tmp_path: Path) -> None:
    """Required quantities get example values, others a line; the circuit is sized to them."""
    file = tmp_path / "root.py"
    file.write_text(OWN.format(kind="drafted root"), encoding="utf-8")
    try:
        found = margin.draft("drafted root", "inverting amplifier", "2 N to 60 N", elements=[file])
        assert found.fault is None
        assert "# softening = " in found.text and '# grid = "fine"' in found.text
        assert "sensor.scale" in found.replace and "sensor.anchor" in found.replace
        assert f"--elements {file}" in found.text
        chain = chain_of(found.case)
        assert not np.any(chain.respond(60.0, Setting()).clipped)
    finally:
        ELEMENTS["sensor"].pop("drafted root", None)


def test_an_element_that_refuses_its_example_values_is_drafted_with_the_reason(tmp_path: Path) -> None:
    """The file is made all the same and says at its top why it does not load yet."""
    refusing = OWN.format(kind="refusing root").replace(
        "    def output(",
        "    def __post_init__(self):\n        raise ValueError('scale must suit the grid')\n    def output(",
    )
    file = tmp_path / "root.py"
    file.write_text(refusing, encoding="utf-8")
    try:
        found = margin.draft("refusing root", "voltage divider", "2 N to 60 N", elements=[file])
        assert found.fault is not None and "scale must suit the grid" in found.fault
        assert "This case does not load yet" in found.text and "[circuit]" in found.text
        with pytest.raises(CaseError, match="scale must suit the grid"):
            _ = found.case
    finally:
        ELEMENTS["sensor"].pop("refusing root", None)


def test_a_file_is_not_written_over_unless_asked(tmp_path: Path) -> None:
    """An existing case stays as it is; `replace` writes it anew."""
    path = tmp_path / "pad.toml"
    path.write_text("mine", encoding="utf-8")
    request: dict[str, Any] = {"out": path}
    with pytest.raises(FileExists, match=r"pad.toml: exists already"):
        margin.draft("thin film", "constant current", "2 N to 60 N", **request)
    assert path.read_text(encoding="utf-8") == "mine"
    margin.draft("thin film", "constant current", "2 N to 60 N", replace=True, **request)
    assert margin.load(path).name == "thin film, constant current, 2 N to 60 N"
    assert [file.name for file in tmp_path.iterdir()] == ["pad.toml"]


def test_a_table_of_bands_is_copied_once_and_then_kept(tmp_path: Path) -> None:
    """The case names the table beside it; a table that exists is used as it is, and shown."""
    first = margin.draft(
        "thin film", "voltage divider", "2 N to 60 N", out=tmp_path / "a.toml", bands="ours.toml"
    )
    table = tmp_path / "ours.toml"
    assert table.read_text(encoding="utf-8") == SHIPPED.read_text(encoding="utf-8")
    assert 'unstated = "ours.toml"' in first.text
    own = '[sensor."thin film"]\ncreep = { value = "3 % to 4 % per common", source = "our bench" }\n'
    table.write_text(own, encoding="utf-8")
    second = margin.draft(
        "thin film", "voltage divider", "2 N to 60 N", out=tmp_path / "b.toml", bands="ours.toml"
    )
    assert table.read_text(encoding="utf-8") == own
    assert '# creep = "3 % to 4 % per common"' in second.text and "our bench" in second.text
    assert margin.load(tmp_path / "a.toml").elements["sensor"].quantities["creep"].band == "our bench"


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"sensor": "wet film"}, r"no sensor of kind 'wet film'.\n.*\n  thin film +voltage divider, inverting"),
        ({"circuit": "bridge amplifier"}, r"does not accept sensor 'thin film'.\n(.*\n)*  strain-gauge bridge +bridge"),
        ({"circuit": "choke"}, r"no circuit of kind 'choke'"),
        ({"interface": "spring"}, r"no interface of kind 'spring'.\nInterfaces: direct, load concentrator"),
        ({"loads": "60 N to 2 N"}, r"range '60 N to 2 N': the range is reversed"),
        ({"loads": "2 N to 60"}, r"a force needs a unit"),
        ({"bands": "ours.toml"}, r"a table is written beside the case; name its file by --out"),
        ({"bands": "a/ours.toml", "out": "x.toml"}, r"is no name of a TOML file beside the case"),
        ({"bands": "x.toml", "out": "x.toml"}, r"is no name of a TOML file beside the case"),
    ],
)  # fmt: skip
def test_bad_requests_get_one_clear_message(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, changes: dict[str, Any], message: str
) -> None:
    """Unknown kinds are answered by those there are, and nothing is written."""
    monkeypatch.chdir(tmp_path)
    given = {"sensor": "thin film", "circuit": "voltage divider", "loads": "2 N to 60 N", **changes}
    with pytest.raises(ValueError, match=message):
        margin.draft(**given)
    assert not list(tmp_path.iterdir())


def test_a_faulty_table_of_bands_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    """The fault of the table is told as one of a case that names it."""
    (tmp_path / "ours.toml").write_text("[sensor", encoding="utf-8")
    with pytest.raises(CaseError, match=r"ours.toml: is not TOML"):
        margin.draft(
            "thin film", "voltage divider", "2 N to 60 N", out=tmp_path / "a.toml", bands="ours.toml"
        )
    assert not (tmp_path / "a.toml").exists()
