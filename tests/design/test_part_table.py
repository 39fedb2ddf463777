"""Tables of parts, spaces of designs and wishes of a sizing: what they give, and the message of each fault."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from few_parts import FEW_PARTS, few_parts
from pad_study import NONE, ONE_POINT, pad_case

import margin
from margin.case.types import Case
from margin.chain.circuits import InvertingAmplifier
from margin.design.sizing import SizingError, read_parts, wish
from margin.design.sizing.part_table import SHIPPED, Grade
from margin.design.sizing.spaces import Space, spaces_of


def spread_case() -> Case:
    """A pad with a spread, read by an inverting amplifier."""
    return pad_case(
        NONE,
        ONE_POINT,
        sensor={"kind": "thin film", "sensitivity": "4 uS +/- 12 % (2 sigma)", "reference_load": "20 N"},
        circuit={"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm +/- 1 %"},
        converter={"bits": 12},
        study={"units": 1000, "outer": 1},
    )


def test_shipped_table_is_read_and_large() -> None:
    """The shipped table has every grade's series, and gives a case millions of designs."""
    parts = read_parts()
    assert parts.file == str(SHIPPED) and {grade.series for grade in parts.resistor_grades} == {
        "E24",
        "E96",
        "E192",
    }
    spaces = spaces_of(spread_case(), parts, 5.0)
    total = sum(
        int(one.weights(parts).sum()) * one.size // len(one.resistors) * len(one.capacitors) for one in spaces
    )
    assert total > 5_000_000


def space_named(name: str) -> Space:
    """Space of the pad by its name."""
    return next(one for one in spaces_of(spread_case(), few_parts(), 1.2) if one.name == name)


def test_cost_counts_parts() -> None:
    """Reference, gain resistor, two resistors a ratio below 1, filter capacitor, amplifier; a bare divider has none."""
    cheap = Grade(0.01, 0.0, 2.0, "E6")
    reference = Grade(0.0, 0.0, 7.0)
    parts = few_parts()
    amplifier = space_named("inverting amplifier")
    assert amplifier.cost((0.1, 0.5), 1e-9, cheap, reference, parts) == 7 + 2 * 5 + 1 + 40
    assert amplifier.cost((0.5, 0.5), 0.0, cheap, reference, parts) == 7 + 2 * 3 + 40
    divider = space_named("voltage divider, sensor to ground")
    assert divider.cost((), 0.0, cheap, reference, parts) == 7 + 2 + 40
    bare = dataclasses.replace(divider, options={**divider.options, "buffered": False})
    assert bare.cost((), 0.0, cheap, reference, parts) == 7 + 2


def test_an_amplifier_on_one_supply_does_not_drive_below_ground() -> None:
    """Bias is at least drive in every design of an inverting amplifier whose case has it so."""
    case = margin.change(spread_case(), {"circuit.drive_ratio": 0.5, "circuit.bias_ratio": 0.5})
    own = next(one for one in spaces_of(case, few_parts(), 1.2) if one.own)
    assert all(bias >= drive for drive, bias in own.ratios)
    assert any(bias < drive for drive, bias in space_named("inverting amplifier").ratios)


def test_a_circuit_without_a_gain_key_is_refused() -> None:
    """A circuit that names no resistor for its gain cannot be sized, and the message says what to declare."""

    class Fixed(InvertingAmplifier):
        kind = "fixed gain"
        gain_key = None

    case = spread_case()
    spec = dataclasses.replace(case.elements["circuit"], cls=Fixed, kind="fixed gain")
    with pytest.raises(SizingError, match=r"'fixed gain'.*declare gain_key"):
        spaces_of(dataclasses.replace(case, elements={**case.elements, "circuit": spec}), few_parts(), 1.2)


BAD_PARTS = [
    ("[reference]", "[refrence]", r"\[refrence\] is unknown; tables are reference"),
    ('values = ["0.6 V", "1.2 V"]', 'values = ["0.6 N"]', "reference.values '0.6 N'.*write for example"),
    ('values = ["0.6 V", "1.2 V"]', "values = []", "reference.values is no list"),
    ('tolerance = "1 %"', 'tolerance = "100 %"', "resistor.grade 1: tolerance is '100 %'"),
    (
        'series = "E6"\ncost = 1\n[[',
        'series = "E7"\ncost = 1\n[[',
        "resistor.grade 1: series 'E7' is none of IEC 60063",
    ),
    ('range = ["1 kohm", "1 Mohm"]', 'range = ["1 Mohm", "1 kohm"]', "resistor.range does not ascend"),
    ('range = ["1 kohm", "1 Mohm"]', 'range = "1 kohm"', "resistor.range is no pair"),
    ("values = [0.1, 0.5, 1.0]", "values = [0.1, 2.0]", "ratio.values must be above 0 and at most 1"),
    ("[amplifier]\ncost = 40", "[amplifier]\ncost = -1", "amplifier: cost is -1"),
    ("cost = 1\n[ratio]", "price = 1\n[ratio]", "capacitor.price is unknown"),
    ("[ratio]", "[ratio", "is not TOML"),
    ('values = ["0.6 V", "1.2 V"]', 'values = ["0.6 V +/- 1 %"]', "states a spread"),
]


@pytest.mark.parametrize(("sound", "bad", "said"), BAD_PARTS)
def test_a_bad_table_of_parts_gives_one_message(sound: str, bad: str, said: str, tmp_path: Path) -> None:
    """Every fault of a table names the file, the key and the fix in one line."""
    assert FEW_PARTS.count(sound) == 1
    file = tmp_path / "bad.toml"
    file.write_text(FEW_PARTS.replace(sound, bad), encoding="utf-8")
    with pytest.raises(SizingError, match=said) as fault:
        read_parts(file)
    assert "bad.toml" in str(fault.value) and "\n" not in str(fault.value)


BAD_WISHES: list[tuple[dict[str, Any], str]] = [
    ({"option": "two-point"}, "no calibration option 'two-point'; there are 'none', 'one-point'"),
    ({"share": 1.0}, "share of units.*100 %"),
    ({"share": "10 %"}, "share of units.*10 %"),
    ({"resolution": 0.0}, "resolution: 0 N"),
    ({"resolution": "1e-9 N"}, "no design meets every constraint.*resolution at the smallest load"),
    ({"designs": 0}, "designs: 0"),
    ({"supply": "0.5 V"}, "none within the supply of 0.5 V"),
    ({"supply": "3 A"}, "supply '3 A'"),
    ({"parts": "nowhere.toml"}, "nowhere.toml: there is no such file"),
]


@pytest.mark.parametrize(("wishes", "said"), BAD_WISHES)
def test_a_bad_wish_gives_one_message(wishes: dict[str, Any], said: str) -> None:
    """Every wish that no design can be sought with is refused with its value and the fix in one line."""
    with pytest.raises(SizingError, match=said) as fault:
        margin.size(spread_case(), **{"parts": few_parts(), "workers": 1, **wishes})
    assert "\n" not in str(fault.value)


def test_a_wish_is_read_in_units() -> None:
    """A text has a unit, and becomes SI."""
    assert wish("supply", "3300 mV", "V", "3.3 V") == pytest.approx(3.3)
