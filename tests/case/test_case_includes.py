"""A case whose sensor comes from a fitted model: what is taken, what goes before it, what is refused."""

from __future__ import annotations

import hashlib
import json
import pickle
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from case_texts import case_text

from margin.case import Case, CaseError, load_case, with_changes
from margin.case.schema import schema

DATA = b"load_N,conductance_S\n8,18e-6\n"
MODEL = """
[model]
format = 1
data = "bench.csv"
sha256 = "{sha256}"
written = 2025-11-25
circuit = "amplifier"
interface = "silicone"
temperature = "25 degC"
lots = 1
sensors = 6
mountings = 18
cycles = 90
readings = 1350
must_state = ["sensitivity per lot"]
assumptions = ["the spreads are normal"]

[sensor]
kind = "thin film"
reference_load = "8 N"
sensitivity = "18 uS +/- 16 % (2 sigma, from 6 units) per unit, +/- 4 % (2 sigma, from 11 units) per mounting"
exponent = "0.85 +/- 0.03 (2 sigma, from 6 units) per unit"
reload_scatter = "1.5 % +/- 0.2 % (2 sigma) per common"

[[dependence]]
between = ["sensor.sensitivity", "sensor.exponent"]
rank_correlation = 0.3
from = "6 units"
""".replace("{sha256}", hashlib.sha256(DATA).hexdigest())
LOT = 'sensitivity = "+/- 8 % (2 sigma) per lot"'


def sensor(*lines: str, model: str = "pad_fit.toml") -> str:
    """A sensor from the model, with further lines."""
    return "\n".join(['kind = "thin film"', f'from = "{model}"', *lines])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with bench data and the model fitted to it."""
    (tmp_path / "bench.csv").write_bytes(DATA)
    (tmp_path / "pad_fit.toml").write_text(MODEL, encoding="utf-8")
    return tmp_path


def case_in(folder: Path, table: str | None = None, more: str = "", **tables: str | None) -> Case:
    """The case read from a file in that folder."""
    path = folder / "case.toml"
    path.write_text(case_text(more, sensor=table or sensor(LOT), **tables), encoding="utf-8")
    return load_case(path)


def spreads(case: Case, name: str) -> dict[str, tuple[float, int | None]]:
    """Standard deviation and number of units of each spread, by level."""
    quantity = case.elements["sensor"].quantities[name]
    return {s.level: (round(s.distribution.sd, 9), s.measured_on) for s in quantity.spreads}


def test_the_sensor_comes_from_the_model(folder: Path) -> None:
    """Values, spreads at their level, what they are known from, and their dependence are the model's."""
    case = case_in(folder)
    quantities = case.elements["sensor"].quantities
    assert quantities["sensitivity"].nominal == 18e-6
    assert quantities["reference_load"].nominal == 8.0
    assert spreads(case, "sensitivity") == {"unit": (0.08, 6), "mounting": (0.02, 11), "lot": (0.04, None)}
    assert spreads(case, "exponent") == {"unit": (0.015, 6)}
    (tie,) = case.dependences
    assert (tie.first, tie.second, tie.rank_correlation, tie.measured_on) == (
        "sensor.sensitivity", "sensor.exponent", 0.3, 6,
    )  # fmt: skip
    assert case.study.nested


def test_it_says_what_the_same_case_written_out_says(folder: Path) -> None:
    """The elements are those of a case that states everything itself."""
    written = [
        'kind = "thin film"\nreference_load = "8 N"',
        'sensitivity = "18 uS +/- 16 % (2 sigma, from 6 units) per unit, +/- 4 % (2 sigma, from 11 units) per mounting,'
        ' +/- 8 % (2 sigma) per lot"',
        'exponent = "0.85 +/- 0.03 (2 sigma, from 6 units)"',
        'reload_scatter = "1.5 % +/- 0.2 % (2 sigma) per common"',
    ]
    tie = (
        '[[dependence]]\nbetween = ["sensor.sensitivity", "sensor.exponent"]\n'
        'rank_correlation = 0.3\nfrom = "6 units"'
    )
    one, other = case_in(folder), case_in(folder, "\n".join(written), tie)
    assert one.elements == other.elements
    assert one.dependences == other.dependences
    assert one.study == other.study


def test_provenance_and_assumptions_are_told(folder: Path) -> None:
    """File, hash, counts, date and assumptions are repeated; what was measured is not called assumed."""
    case = case_in(folder)
    origin = case.readings[0]
    for part in ("pad_fit.toml", "bench.csv", hashlib.sha256(DATA).hexdigest()[:12], "6 sensors", "18 mountings",
                 "1 lot,", "90 cycles", "2025-11-25", "amplifier", "as it was"):  # fmt: skip
        assert part in origin
    assert any(
        line.startswith("sensor.exponent") and "known from 6 units (pad_fit.toml)" in line
        for line in case.readings
    )
    assert "pad_fit.toml: the spreads are normal" in case.assumed
    assert "sensor.sensitivity: sd 4 % per lot (lot spread: stated, not measured)" in case.assumed
    assert not any("per unit" in line and line.startswith("sensor.") for line in case.assumed)
    assert not any("reload_scatter" in line or "per mounting" in line for line in case.assumed)


def test_what_the_case_writes_goes_before_the_model(folder: Path) -> None:
    """A whole quantity replaces the model's; a tolerance alone replaces the spread of its level only."""
    case = case_in(
        folder,
        sensor(
            'sensitivity = "+/- 8 % (2 sigma) per lot, +/- 6 % (2 sigma) per mounting"',
            'exponent = "0.9 +/- 0.1 (2 sigma)"',
            'creep = "2 %"',
        ),
    )
    assert spreads(case, "sensitivity") == {"unit": (0.08, 6), "lot": (0.04, None), "mounting": (0.03, None)}
    assert case.elements["sensor"].quantities["exponent"].nominal == 0.9
    assert case.elements["sensor"].quantities["creep"].nominal == 0.02
    assert any("sd 3 % per mounting (stated, not measured)" in line for line in case.assumed)
    (tie,) = case.dependences
    assert tie.measured_on is None


def test_a_tie_goes_with_its_spread(folder: Path) -> None:
    """Where the case leaves no spread to tie, the model's dependence is gone; its own goes before the model's."""
    assert case_in(folder, sensor(LOT, 'exponent = "0.85"')).dependences == ()
    own = '[[dependence]]\nbetween = ["sensor.exponent", "sensor.sensitivity"]\nrank_correlation = -0.2'
    (tie,) = case_in(folder, sensor(LOT), own).dependences
    assert (tie.rank_correlation, tie.measured_on) == (-0.2, None)
    assert any(
        "rank correlation -0.2, per unit (stated, not measured)" in line
        for line in case_in(folder, sensor(LOT), own).assumed
    )


def test_no_spread_may_be_stated(folder: Path) -> None:
    """'+/- 0 %' states that a level has no spread, which the report repeats as assumed."""
    case = case_in(folder, sensor('sensitivity = "+/- 0 % per lot, +/- 0 % per mounting"'))
    assert spreads(case, "sensitivity") == {"unit": (0.08, 6)}
    assert "sensor.sensitivity per lot: none (stated, not measured)" in case.assumed


def test_changed_data_are_told_first(folder: Path) -> None:
    """A bench file that is not the one fitted heads the assumptions; one that is not there is said to be so."""
    (folder / "bench.csv").write_bytes(DATA + b"8,19e-6\n")
    case = case_in(folder)
    assert case.assumed[0] == (
        "pad_fit.toml: bench.csv has changed since the model was fitted to it; fit it again"
    )
    assert "has changed" in case.readings[0]
    (folder / "bench.csv").unlink()
    case = case_in(folder)
    assert "is not there and was not checked" in case.readings[0]
    assert not any("has changed" in line for line in case.assumed)


def test_the_model_lies_relative_to_the_case(folder: Path) -> None:
    """A case in another folder names the model by the way from there, and its data lie beside the model."""
    (folder / "other").mkdir()
    case = case_in(folder / "other", sensor(LOT, model="../pad_fit.toml"))
    assert "as it was" in case.readings[0]


def test_a_changed_case_does_not_go_back_to_the_file(folder: Path) -> None:
    """Changes, also after pickling, need the model's file no more, and override it as the case does."""
    case = pickle.loads(pickle.dumps(case_in(folder)))
    (folder / "pad_fit.toml").unlink()
    changed = with_changes(case, {"study.units": 500, "sensor.sensitivity": "+/- 2 % (2 sigma) per lot"})
    assert changed.study.units == 500
    assert spreads(changed, "sensitivity") == {"unit": (0.08, 6), "mounting": (0.02, 11), "lot": (0.01, None)}
    assert changed.readings[0] == case.readings[0]
    with pytest.raises(CaseError, match="there is no such file"):
        with_changes(case, {"sensor.from": "other_fit.toml"})


def test_the_schema_takes_a_sensor_from_a_model(folder: Path) -> None:
    """An editor asks for kind alone beside 'from', and still for all that is needed without it."""
    table: dict[str, Any] = {
        "load": {"range": "2 N to 60 N"},
        "requirement": {"permissible_error": "2 N"},
        "sensor": {"kind": "thin film", "from": "pad_fit.toml"},
        "circuit": {"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "47 kohm"},
    }
    validator = jsonschema.Draft202012Validator(json.loads(json.dumps(schema())))
    assert list(validator.iter_errors(table)) == []
    del table["sensor"]["from"]
    assert list(validator.iter_errors(table))


def edited(old: str, new: str) -> str:
    """The model with one piece replaced."""
    assert old in MODEL
    return MODEL.replace(old, new)


BAD = [
    pytest.param(
        sensor(LOT, model="pad.toml"), None,
        r'case.toml: \[sensor\] from = "pad.toml": there is no such file \(.*pad.toml\); check the name; it is relative'
        " to the case file", id="missing file",
    ),
    pytest.param(
        sensor(LOT), 'sensor = "thin film', r"pad_fit.toml: is not TOML: .* \(at", id="not TOML",
    ),
    pytest.param(
        sensor(LOT), '[sensor]\nkind = "thin film"',
        r"pad_fit.toml: \[model\]: missing; this is no fitted model; 'margin bench DATA.csv --model FILE.toml' writes",
        id="no model",
    ),
    pytest.param(
        sensor(LOT), edited("reload_scatter =", "reload_scater ="),
        r'pad_fit.toml: \[sensor\] reload_scater = .*: unknown key; did you mean "reload_scatter"\?', id="unknown key",
    ),
    pytest.param(
        sensor(LOT), edited("sensors = 6", "sensors = 6\nboxes = 1"),
        r"pad_fit.toml: \[model\] boxes = 1: unknown key; keys are format, data", id="unknown key of the model",
    ),
    pytest.param(
        sensor(LOT), MODEL + '\n[circuit]\nkind = "voltage divider"',
        r"pad_fit.toml: \[circuit\]: unknown table; tables are model, sensor, dependence", id="unknown table",
    ),
    pytest.param(
        sensor(LOT).replace("thin film", "strain-gauge bridge"), None,
        r'case.toml: \[sensor\] kind = "strain-gauge bridge": is not the kind of pad_fit.toml, which was fitted as '
        r'"thin film"; write kind = "thin film", or leave "from" out', id="wrong kind",
    ),
    pytest.param(
        sensor(LOT, model="case.toml"), None,
        r'case.toml: \[sensor\] from = "case.toml": is this case itself; write the file of the model',
        id="the case itself",
    ),
    pytest.param(
        sensor(LOT), edited('kind = "thin film"', 'kind = "thin film"\nfrom = "case.toml"'),
        r'pad_fit.toml: \[sensor\] from = "case.toml": a fitted model takes nothing from a further file; write its '
        "values out", id="circular",
    ),
    pytest.param(
        sensor(), None,
        r"case.toml: \[sensor\] sensitivity: pad_fit.toml contains no spread per lot: the data do not show it; "
        r'state it, such as sensitivity = "\+/- 8 % \(2 sigma\) per lot", or "\+/- 0 % per lot" for none',
        id="lot spread not stated",
    ),
    pytest.param(
        sensor(LOT), edited("18 uS", "18 uX"), r'pad_fit.toml: \[sensor\] sensitivity = .*"uX" is not a unit',
        id="bad quantity",
    ),
    pytest.param(
        sensor(LOT), edited('"sensor.exponent"]', '"sensor.creep"]'),
        r'pad_fit.toml: \[dependence 1\] between = .*: "sensor.creep" is not a quantity of this model',
        id="tie of a stranger",
    ),
    pytest.param(
        sensor(LOT), edited("format = 1", "format = 2"),
        r"pad_fit.toml: \[model\] format = 2: is not a layout that is read here \(that is 1\); fit the data again",
        id="another format",
    ),
    pytest.param(
        sensor(LOT), edited("sha256 = ", "sha256 = 'x' #"),
        r'pad_fit.toml: \[model\] sha256 = "x": is not a SHA-256 hash; it has 64 hexadecimal digits', id="no hash",
    ),
    pytest.param(
        sensor(LOT), edited('"25 degC"', '"40 degC"'),
        r'case.toml: \[case\] reference_temperature = "25 degC": pad_fit.toml was measured at 40 degC; write '
        'reference_temperature = "40 degC"', id="another temperature",
    ),
    pytest.param(
        'kind = "thin film"\nfrom = 3', None, r"case.toml: \[sensor\] from = 3: must be the name of a fitted model",
        id="no name",
    ),
    pytest.param(
        sensor(LOT, 'hysteresis = "+/- 0.5 % of full scale per lot"'),
        edited("[[dependence]]", 'hysteresis = "3 %"\n\n[[dependence]]'),
        "hysteresis = .*: is a tolerance alone, which the model's value has no room for; write the whole quantity",
        id="tolerance of a datasheet figure",
    ),
    pytest.param(
        sensor(LOT, model="."), None, "is a folder", id="a folder",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("table", "model", "message"), BAD)
def test_what_cannot_be_taken_in_is_refused(
    folder: Path, table: str, model: str | None, message: str
) -> None:
    """One message names the file, the key, the value, why it cannot be, and the mend where there is one."""
    if model is not None:
        (folder / "pad_fit.toml").write_text(model, encoding="utf-8")
    with pytest.raises(CaseError, match=message) as caught:
        case_in(folder, table)
    assert len(caught.value.faults) == 1
