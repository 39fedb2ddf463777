"""Sizing against closed forms: best divider, edge of saturation, rails, fronts, and its promises run again."""

from __future__ import annotations

import dataclasses
import json
import math
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from few_parts import few_parts
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from pad_study import NONE, ONE_POINT, pad_case

import margin
from margin.case.again import command_of
from margin.case.types import Case
from margin.chain.circuits.divider import most_swing
from margin.chain.preferred_values import preferred_between, preferred_near
from margin.design.sizing import PartTable, size_case
from margin.design.sizing.corners import Corners, corners_of
from margin.design.sizing.designs import changes_of
from margin.design.sizing.fronts import apart, not_dominated
from margin.design.sizing.nominal_screen import (
    FILTER,
    LOWER,
    RESOLUTION,
    UPPER,
    Screened,
    Wanted,
    screen,
)
from margin.design.sizing.part_table import Grade
from margin.design.sizing.spaces import spaces_of
from margin.propagation.model import model_of

GRADE = Grade(0.01, 1e-4, 1.0, "E192")
CONVERTER = {"bits": 12}


def table(**wanted: Any) -> PartTable:
    """Parts with one grade of each, no filter, and these replaced."""
    base = PartTable(
        references=(1.0,), reference_grades=(Grade(0.0, 0.0, 10.0),), resistors=(1e3, 1e6), resistor_grades=(GRADE,),
        capacitors=(), capacitor=Grade(0.1, 0.0, 1.0, "E6"), ratios=(1.0,), amplifier=40.0,
        instrumentation_amplifier=150.0, file="parts",
    )  # fmt: skip
    return dataclasses.replace(base, **wanted)


def screened(case: Case, parts: PartTable, supply: float, resolution: float = math.inf) -> list[Screened]:
    """All circuits of a case, screened."""
    model = model_of(case)
    wanted = Wanted.of(case, resolution, corners_of(model, 0.999, 2000))
    return [screen(case, model.nominal, space, parts, wanted) for space in spaces_of(case, parts, supply)]


def values(found: Screened) -> tuple[np.ndarray, np.ndarray]:
    """Reference, V, and resistor, ohm, of the designs left."""
    reference, _, resistor = found.space.places(found.number)
    return np.array(found.space.references)[reference], np.array(found.space.resistors)[resistor]


@pytest.mark.parametrize("position", ["sensor to reference", "sensor to ground"])
@pytest.mark.parametrize(("low", "ratio"), [("1 N", 100.0), ("3 N", 12.0)])
def test_divider_of_most_swing_is_the_geometric_mean_of_the_range(
    position: str, low: str, ratio: float
) -> None:
    """Of E192 the search takes the number nearest to the geometric mean of the sensor's range, with swing
    (sqrt r - 1) / (sqrt r + 1), 0.818 at r = 100: for a sensor straight through zero r is that of the loads."""
    smallest = float(low.split()[0])
    case = pad_case(
        NONE,
        load={"range": f"{low} to {smallest * ratio:g} N", "check": 3},
        requirement={"permissible_error": "5 % of reading"},
        sensor={"kind": "thin film", "sensitivity": "2 uS", "reference_load": "1 N"},
        circuit={"kind": "voltage divider", "reference": "1 V", "resistor": "10 kohm", "position": position},
        converter=CONVERTER,
    )
    found = screened(case, table(), 1.0)[0]
    best = int(found.swing.argmax())
    ideal, swing = most_swing(2e-6 * smallest, 2e-6 * smallest * ratio)
    assert found.space.name == f"voltage divider, {position}"
    assert values(found)[1][best] == preferred_near("E192", ideal)
    assert found.swing[best] == pytest.approx(swing, rel=2e-5)


def absolute_case(**circuit: Any) -> Case:
    """An inverting amplifier read by a converter with a full scale of its own, 3 V; 60 N give 12 uS."""
    return pad_case(
        NONE,
        circuit={"kind": "inverting amplifier", "reference": "1 V", "feedback": "100 kohm", **circuit},
        converter={"bits": 12, "reference": "absolute", "full_scale": "3 V"},
    )


def test_a_higher_reference_resolves_better_up_to_the_edge_of_saturation() -> None:
    """With a converter of its own full scale the resolution goes as 1 / reference, and the highest reference left is
    the last below full scale / (Rf G at the largest load) (common practice, no source; the edge is in closed form)."""
    references = tuple(np.round(np.arange(0.5, 4.0, 0.05), 2))
    parts = table(references=references, resistors=(1e5, 1e5))
    found = next(one for one in screened(absolute_case(), parts, 5.0) if one.space.own)
    reference, _ = values(found)
    edge = 3.0 / (1e5 * 12e-6)
    assert reference.max() == max(each for each in references if each <= edge)
    assert reference[found.resolution.argmin()] == reference.max()
    # one count stands for full scale / 2^n / (D Rf dG/dF) with dG/dF = 12 uS / 60 N
    expected = 3.0 / 4096 / (reference * 1e5 * 12e-6 / 60.0)
    assert found.resolution == pytest.approx(expected, rel=1e-9)
    # the search tries the bias of the case, 0, and one as high as the reference
    beyond = sum((bias + 1e5 * 12e-6) * each > 3.0 for each in references for bias in (0.0, 1.0))
    assert found.refused[UPPER] == beyond == found.alone[UPPER]


def test_a_ratiometric_converter_gains_nothing_from_a_higher_reference() -> None:
    """Where the converter shares the reference, resolution in newtons is the same at every reference."""
    case = pad_case(NONE, converter=CONVERTER)
    parts = table(references=(0.5, 1.0, 2.0), resistors=(4.7e4, 4.7e4))
    found = next(one for one in screened(case, parts, 2.0) if one.space.own)
    assert found.resolution == pytest.approx(np.full(3, found.resolution[0]), rel=1e-9)


def test_both_rails_refuse_as_many_as_the_closed_form_says() -> None:
    """Without spread, an inverting amplifier is refused at the top where D Rf G exceeds the swing, and at the bottom
    where it stays below it; of each resistor counted by hand."""
    case = pad_case(
        NONE,
        load={"range": "6 N to 60 N", "check": 3},
        circuit={
            "kind": "inverting amplifier", "reference": "1 V", "feedback": "60 kohm", "swing_low": "50 mV",
            "swing_high": "0.9 V",
        },
        converter=CONVERTER,
    )  # fmt: skip
    found = next(one for one in screened(case, table(), 1.0) if one.space.own)
    resistors = preferred_between("E192", 1e3, 1e6)
    # with a bias as high as the reference, tried too, every design is beyond the upper limit
    assert found.refused[UPPER] == sum(r * 12e-6 > 0.9 for r in resistors) + len(resistors)
    assert found.refused[LOWER] == sum(r * 1.2e-6 < 0.05 for r in resistors)
    assert set(values(found)[1]) == {r for r in resistors if r * 12e-6 <= 0.9 and r * 1.2e-6 >= 0.05}
    assert found.tried == 2 * len(resistors) == found.left + found.alone[UPPER] + found.alone[LOWER]


def test_filter_constraints_are_those_of_their_time_constants() -> None:
    """A filter settles to half a code within the shortest dwell, 9.01 time constants at 12 bit, and leaves seven times
    the load frequency; the feedback and capacitor of each design left keep both."""
    case = pad_case(
        NONE, converter=CONVERTER, use={"temperature": "25 degC", "dwell": "10 ms", "load_frequency": "20 Hz"},
        circuit={"kind": "inverting amplifier", "reference": "1 V", "feedback": "60 kohm", "voltage_noise":
                 "2 uV/Hz**0.5", "noise_bandwidth": "1 MHz"},
    )  # fmt: skip
    parts = table(capacitors=preferred_between("E6", 1e-10, 1e-5))
    found = next(one for one in screened(case, parts, 1.0) if one.space.own)
    resistors = np.array(preferred_between("E192", 1e3, 1e6))[:, None]
    slow = resistors * np.array((0.0, *parts.capacitors))
    settled = slow * math.log(2.0**13) <= 0.010
    followed = 2.0 * math.pi * slow * 7.0 * 20.0 <= 1.0
    biases = len(found.space.ratios)
    assert found.refused[FILTER] == biases * int(np.sum(~settled))
    assert found.refused["bandwidth"] == biases * int(np.sum(~followed))
    kept = values(found)[1] * np.array(found.space.capacitors)[found.capacitor]
    assert np.all(kept * 13.0 * math.log(2.0) <= 0.010) and np.mean(kept > 0.0) > 0.9


def test_charge_sharing_refuses_filters_between_none_and_large() -> None:
    """Without a follower a filter capacitor shares its charge with the converter's: only those from 2^(n+1) sampling
    capacitors on leave half a code, or none where the source itself settles (conservation of charge)."""
    case = pad_case(
        NONE,
        circuit={"kind": "voltage divider", "reference": "1 V", "resistor": "10 kohm"},
        converter={"bits": 12, "sampling_capacitor": "10 pF", "sampling_time": "1 us"},
    )
    parts = table(
        capacitors=preferred_between("E3", 1e-11, 1e-6), resistors=(2.2e4, 2.2e4),
        resistor_grades=(Grade(0.01, 0.0, 1.0, "E3"),),
    )  # fmt: skip
    found = screened(case, parts, 1.0)[0]
    large = [c for c in parts.capacitors if c >= 2.0**13 * 1e-11 * 0.99]
    refused = found.refused["settling at the converter"]
    # 10 pF behind 22 kohm beside at least 83 kohm lack 13 counts after 1 us: no filter is refused too
    assert refused == len(found.space.capacitors) - len(large)


@given(
    arrays(
        np.float64, st.tuples(st.integers(1, 40), st.integers(1, 4)), elements=st.integers(0, 4).map(float)
    )
)
def test_front_is_that_of_comparing_every_pair(points: np.ndarray) -> None:
    """A row is kept if no row is as good in all and better in one, and of equal rows the first: full enumeration."""
    kept = not_dominated(points)
    for place, row in enumerate(points):
        dominated = any(
            np.all(other <= row) and (np.any(other < row) or number < place)
            for number, other in enumerate(points)
            if number != place
        )
        assert kept[place] != dominated


def test_points_apart_hold_the_best_of_each_objective() -> None:
    """Of a line of points the two ends are taken first, then its middle."""
    line = np.array([[k, 10.0 - k] for k in range(11)], dtype=float)
    assert set(apart(line, 3)) == {0, 5, 10} and len(apart(line, 99)) == 11


def test_risk_is_counted_and_its_tail_that_of_a_power_law() -> None:
    """The share beyond a limit is the counted one in the bulk; beyond, that of a Pareto law is found to a tenth."""
    outputs = (1.0 - (np.arange(20_000) + 0.5) / 20_000) ** (-1.0 / 5.0)
    corners = Corners(np.sort(outputs), np.sort(outputs), 0.999, 1.0, 0.0, 25.0)
    for limit in (1.1, 1.5, 3.0, 10.0):
        assert float(corners.risk(1e-9, np.array(limit))) == pytest.approx(limit**-5.0, rel=0.1)
    assert float(corners.risk(np.array(1e-9), np.array(1e9))) < 1e-6


def test_corners_leave_out_what_the_share_allows() -> None:
    """Of a normal sensitivity, 8 % at two standard deviations, 99.9 % lie within 3.29 of them on either side."""
    case = pad_case(
        NONE, sensor={"kind": "thin film", "sensitivity": "4 uS +/- 8 % (2 sigma)", "reference_load": "20 N"}
    )
    corners = corners_of(model_of(case), 0.999)
    assert corners.highest == pytest.approx(12e-6 * (1.0 + 3.29 * 0.04), rel=0.01)
    assert corners.lowest == pytest.approx(0.4e-6 * (1.0 - 3.29 * 0.04), rel=0.01)


@lru_cache
def spread_case() -> Case:
    """A pad whose amplifier stands at the upper limit, as it is."""
    return pad_case(
        NONE, ONE_POINT,
        sensor={"kind": "thin film", "sensitivity": "4 uS +/- 12 % (2 sigma)", "reference_load": "20 N"},
        circuit={"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "82 kohm +/- 1 %",
                 "offset": "0 mV +/- 1 mV"},
        converter={"bits": 12, "noise": 0.7},
        study={"units": 4000, "outer": 1, "seed": 5},
    )  # fmt: skip


@lru_cache
def sized() -> margin.SizeStudy:
    """That case, sized."""
    return margin.size(spread_case(), parts=few_parts(), designs=3, workers=1)


def test_the_case_saturates_and_its_designs_do_not() -> None:
    """Sized, no reading of the best design stands at a limit, and it conforms where the case does not."""
    found = sized().found
    assert found.option == "one-point" and found.as_it_is is not None
    assert found.as_it_is.clipped.value > 0.05 and found.as_it_is.found.sampled.high < 0.95
    assert sized().verdict == "conforms" and found.ranked[0].trial.clipped.value == 0.0


def test_a_recommended_design_gives_the_promised_yield_in_an_estimate_with_another_seed() -> None:
    """`estimate` of each listed design, made by its changes and drawn with another seed, gives a yield whose interval
    overlaps the promised one."""
    for each in sized().found.ranked:
        case = margin.change(spread_case(), {**each.changes, "study.seed": 77, "study.draw": "all units"})
        found = margin.estimate(case, budget=False, workers=1).yields.set_index("option").loc["one-point"]
        promised = each.trial.found.sampled
        assert found["yield_low"] <= promised.high and promised.low <= found["yield_high"]


def test_changes_turn_the_case_into_the_design() -> None:
    """The changed case has the kind, values, grades and choices of the design, and all else as before."""
    for each in (*sized().found.ranked, *(one for one in sized().found.circuits if one)):
        circuit = margin.change(spread_case(), each.changes).elements["circuit"]
        design = each.design
        assert circuit.cls is design.space.cls and circuit.options == dict(design.space.options)
        nominal = {key: quantity.nominal for key, quantity in circuit.quantities.items()}
        assert nominal[design.space.gain_key] == design.resistor and nominal["reference"] == design.reference
        assert nominal["capacitor"] == design.capacitor
        assert [nominal[key] for key in design.space.ratio_keys] == pytest.approx(list(design.ratios))
        assert (
            circuit.quantities["offset"].spreads
            == spread_case().elements["circuit"].quantities["offset"].spreads
        )


def test_designs_are_not_dominated_and_ranked() -> None:
    """No listed design is better than another in resolution, risk, error and cost at once; ranks follow verdicts."""
    frame = sized().designs
    objectives = frame[["resolution_N", "risk", "error", "cost"]].to_numpy()
    better = np.all(objectives[:, None] < objectives[None, :] * 0.98, axis=-1)
    assert not better.any()
    order = frame["verdict"].map({"conforms": 0, "undecided": 1, "does not conform": 2})
    assert order.is_monotonic_increasing and frame["rank"].tolist() == [*range(1, len(frame) + 1)]


def test_counts_of_what_limits_add_up() -> None:
    """Designs tried are those left, those refused by one constraint alone, and those refused by several."""
    rows = sized().constraints
    for _, one in rows.groupby("circuit"):
        tried, left = one["tried"].iloc[0], one["left"].iloc[0]
        assert one["alone"].sum() + left <= tried <= left + one["refused"].sum()
        assert (one["alone"] <= one["refused"]).all()


def test_what_the_case_does_not_state_is_reported_as_not_checked() -> None:
    """Sensor capacitance, amplifier bandwidth, load frequency and sampling are named, with the key that states them."""
    text = str(sized())
    for key in ("circuit.input_capacitance", "circuit.gain_bandwidth", "use.load_frequency"):
        assert key in " ".join(text.split())
    assert "converter.sampling_capacitor" in " ".join(text.split())


def test_a_stated_capacitance_constrains_the_feedback_capacitor() -> None:
    """With 1 nF at the input and 1 MHz every amplifier left has a capacitor with 45 degrees of phase margin."""
    case = margin.change(
        spread_case(), {"circuit.input_capacitance": "1 nF", "circuit.gain_bandwidth": "1 MHz"}
    )
    found = next(one for one in screened(case, few_parts(), 1.2) if one.space.own)
    assert found.refused["phase margin"] > 0 and "phase margin" not in found.unchecked
    assert np.all(np.array(found.space.capacitors)[found.capacitor] > 0.0)


def test_bridges_are_sized_by_gain_and_pedestal() -> None:
    """A bridge on one supply that swings both ways gets a pedestal, and a gain resistor that keeps it within."""
    case = pad_case(
        NONE, load={"range": "5 N to 50 N", "check": 3},
        requirement={"permissible_error": "2 % of span"},
        sensor={"kind": "strain-gauge bridge", "rated_load": "50 N", "rated_output": "2 mV/V",
                "zero": "0 mV/V +/- 0.5 mV/V"},
        circuit={"kind": "bridge amplifier", "reference": "2.5 V", "internal_resistor": "100 kohm",
                 "gain_resistor": "100 ohm", "swing_low": "50 mV", "swing_high": "2.4 V"},
        converter=CONVERTER, study={"units": 1000, "outer": 1},
    )  # fmt: skip
    parts = dataclasses.replace(few_parts(), references=(2.5,), resistors=(100.0, 1e4))
    found = size_case(case, parts, designs=1, workers=1)
    best = found.ranked[0].design
    assert [one.space.name for one in found.screens] == ["bridge amplifier"]
    gain = 1.0 + 1e5 / best.resistor
    low, high = (2.5 * (best.ratios[0] + gain * ratio) for ratio in (0.2e-3 - 0.5e-3, 2e-3 + 0.5e-3))
    assert best.ratios[0] > 0.0 and low >= 0.05 - 1e-3 and high <= 2.4 + 1e-3


def test_a_higher_supply_moves_the_swing_with_it() -> None:
    """On 3.3 V in place of 1.2 V with a swing that ends 0.1 V below, the upper swing is 3.2 V in every design."""
    case = margin.change(spread_case(), {"circuit.swing_high": "1.1 V"})
    parts = dataclasses.replace(few_parts(), references=(3.3,), resistors=(1e4, 1e5))
    found = size_case(case, parts, supply=3.3, designs=1, workers=1)
    changed = margin.change(case, found.ranked[0].changes)
    assert changed.elements["circuit"].quantities["swing_high"].nominal == pytest.approx(3.2)


def test_command_of_a_design_is_run_by_a_shell(tmp_path: Path) -> None:
    """The printed command has the case and one change a key, quoted for a shell, and gives the same changes back."""
    import shlex

    best = sized().found.ranked[0]
    case = dataclasses.replace(spread_case(), path=tmp_path / "my case.toml")
    words = shlex.split(command_of(case, more=best.changes))
    assert words[:3] == ["margin", "estimate", str(tmp_path / "my case.toml")]
    pairs = [word.partition("=") for word in words[4::2]]
    assert set(words[3::2]) == {"--change"} and {key: value for key, _, value in pairs} == best.changes


def test_report_has_page_figures_tables_and_json(tmp_path: Path) -> None:
    """A folder holds the page, both figures, three tables and a JSON document with the ranked designs."""
    page = sized().save(tmp_path / "report")
    there = {path.name for path in page.parent.iterdir()}
    assert {"sizing.html", "designs.csv", "tried.csv", "constraints.csv", "sizing.json"} <= there
    assert {"error-over-resolution.svg", "refusals-by-constraint.svg"} <= there
    found = json.loads((page.parent / "sizing.json").read_text())
    assert found["designs"][0]["verdict"] == "conforms" and found["designs"][0]["changes"]
    assert sorted(found["files"]) == sorted(there - {"manifest.json"})
    assert "What limits" in page.read_text() and "margin estimate" in page.read_text()


def test_resolution_is_refused_where_a_count_is_too_much() -> None:
    """With a wished resolution no design left is coarser."""
    found = screened(spread_case(), few_parts(), 1.2, 0.03)
    assert all(np.all(one.resolution <= 0.03) for one in found)
    assert any(one.refused[RESOLUTION] for one in found)


def test_changes_of_an_own_kind_are_single_keys() -> None:
    """A design of the case's own circuit is one change a key; of another kind it is one change of the table."""
    found = sized().found
    own, other = found.circuits[0], found.circuits[1]
    assert own is not None and other is not None
    assert set(own.changes) >= {"circuit.reference", "circuit.feedback", "circuit.drive_ratio"}
    assert list(changes_of(spread_case(), other.design)) == ["circuit"]
