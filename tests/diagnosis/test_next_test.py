"""The next test of a prototype, and what its outcome tells."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

import margin
from margin.case import Case
from margin.diagnosis.by_instruments import constants_read, measured_values, on_the_board
from margin.diagnosis.features import features_of
from margin.diagnosis.further_tests import FurtherTest, further_tests, shunt_resistance
from margin.diagnosis.next_test import Inquiry, inquiry_of
from margin.diagnosis.occasions import Occasion, kept_units
from margin.diagnosis.plan import load_cycle
from margin.diagnosis.predictions import predict
from margin.diagnosis.ranking import diagnose
from margin.diagnosis.situation import as_designed
from margin.diagnosis.taken import features_drawn
from tests.diagnosis.small_prototype import cause_named, prototypes, small_case

CYCLE = load_cycle([20.0, 60.0], runs=3, temperature=25.0)
SATURATING = ("saturation of the film", "resistance of connector or cable", "housing stop engages early")


@pytest.fixture(scope="module")
def case() -> Case:
    """The pad of the tests."""
    return small_case()


@pytest.fixture(scope="module")
def inquiry(case: Case) -> Inquiry:
    """A prototype with a bad connector, before any further test."""
    causes = [cause_named(case, name) for name in SATURATING]
    predicted = predict(case, CYCLE, causes=causes, units=300, sizes=6)
    seen = prototypes(case, CYCLE, causes[1], 0.3, 1, 91)[0]
    return inquiry_of(diagnose(predicted, seen), units=200)


def named(case: Case, name: str) -> FurtherTest:
    """Test of that name."""
    return next(test for test in further_tests(case, CYCLE) if test.name == name)


@pytest.mark.parametrize(("gauge", "ohm"), [(120.0, 59_880.0), (350.0, 174_650.0)])
def test_shunt_for_a_thousand_microstrain(gauge: float, ohm: float) -> None:
    """59,880 ohm across 120 ohm and 174,650 ohm across 350 ohm stand for 1000 microstrain at a gauge factor of 2.

    Handbook values of shunt calibration (from memory).
    """
    assert shunt_resistance(gauge, 2.0, 1e-3) == pytest.approx(ohm)
    # an independent check: the gauge with the shunt across it has lost GF * strain of its resistance, to first order
    together = 1.0 / (1.0 / gauge + 1.0 / ohm)
    assert (gauge - together) / gauge == pytest.approx(2e-3, rel=1e-9)


@pytest.mark.parametrize(
    ("test", "cause", "size", "shown"),
    [
        ("fixed resistor in place of the sensor", "loss of sensitivity", 0.3, False),
        ("fixed resistor in place of the sensor", "resistance of connector or cable", 0.3, True),
        ("known voltage at the converter", "wrong resistor of the front end", 0.3, False),
        ("known voltage at the converter", "reference of the converter", 0.2, True),
        ("sensor back on the bench", "loss of sensitivity", 0.3, True),
        ("sensor back on the bench", "friction in the guide", 0.1, False),
        ("circuit board of a good unit", "wrong resistor of the front end", 0.3, False),
        ("sensor of a good unit", "wrong resistor of the front end", 0.3, True),
        ("concentrator and housing of a good unit", "load share lost to the housing", 0.3, False),
        ("circuit board of a good unit", "filter too slow", 1.0, False),
        ("load through a ball joint", "tilted load line", 0.3, False),
        ("load through a ball joint", "misplaced concentrator", 0.3, True),
        ("concentrator centred by a jig", "misplaced concentrator", 0.3, False),
        ("concentrator centred by a jig", "tilted load line", 0.3, True),
        ("housing taken off", "load share lost to the housing", 0.3, False),
        ("housing taken off", "housing stop engages early", 0.3, False),
        ("housing taken off", "loss of sensitivity", 0.3, True),
        ("multimeter on the circuit board", "wrong resistor of the front end", 0.3, True),
        ("multimeter on the circuit board", "reference of the converter", 0.2, True),
        ("multimeter on the circuit board", "loss of sensitivity", 0.3, False),
        ("constants of the firmware read out", "wrong firmware constant", 0.2, True),
        ("constants of the firmware read out", "wrong resistor of the front end", 0.3, False),
    ],
)
def test_a_test_shows_what_lies_in_the_parts_that_stay(
    case: Case, test: str, cause: str, size: float, shown: bool
) -> None:
    """A part that is exchanged, or stood for, takes its fault with it; that of a part that stays shows."""
    made = named(case, test)
    base = as_designed(case)
    changed = cause_named(case, cause).apply(base, size)
    good, bad = (made.outcome(s, CYCLE, 40, 5) for s in (base, changed))
    assert (np.max(np.abs(good - bad)) > 0.05) == shown


def test_a_multimeter_reads_the_parts_of_the_unit(case: Case) -> None:
    """Resistor and reference are measured as the unit has them: 30 % above the design of 60 kohm, the tolerance of 1 %
    over 3^0.5 and the 0.1 % of the instrument about it; constants read out are those of the design."""
    wrong = cause_named(case, "wrong resistor of the front end").apply(as_designed(case), 0.3)
    board = on_the_board(case)
    found = measured_values(wrong, board, 4000, 5)
    feedback = found[:, [each.name for each in board].index("circuit.feedback")]
    assert feedback.mean() == pytest.approx(78e3, rel=5e-4)
    assert feedback.std() == pytest.approx(78e3 * np.hypot(0.01 / np.sqrt(3.0), 1e-3), rel=0.05)
    reference = found[:, [each.name for each in board].index("circuit.reference")]
    assert reference.mean() == pytest.approx(1.2, rel=1e-4)
    assert constants_read(wrong, 4000, 5).mean() == pytest.approx(1.0, abs=1e-4)


def test_a_fixed_resistor_tells_connector_from_film(inquiry: Inquiry, case: Case) -> None:
    """Of two causes that act alike the first test proposed decides: 1 bit before, settled after."""
    assert inquiry.probabilities["saturation of the film"] == pytest.approx(0.5, abs=0.1)
    first = inquiry.ranked(samples=40)[0]
    assert first.name == "fixed resistor in place of the sensor"
    assert first.information == pytest.approx(1.0, abs=0.25)
    assert set(first.separates) >= set(SATURATING[:2])
    bad = cause_named(case, "resistance of connector or cable").apply(as_designed(case), 0.3)
    after = inquiry.after(first.test, first.test.outcome(bad, CYCLE, 1, 91)[0])
    assert after.probabilities["resistance of connector or cable"] > 0.9
    assert next(iter(after.parts)) == "circuit"
    assert first.name not in [test.name for test in after.tests()]


def test_information_is_between_none_and_what_is_open(inquiry: Inquiry) -> None:
    """No test tells more than the entropy of the causes, none less than nothing."""
    shares = np.array(list(inquiry.probabilities.values()))
    entropy = -float(np.sum(shares * np.log2(np.maximum(shares, 1e-300))))
    for proposed in inquiry.ranked(samples=20):
        assert 0.0 <= proposed.information <= entropy + 1e-9


def test_tests_suit_the_chain_and_the_plan() -> None:
    """A bridge is shunted, an ascending plan is read while unloading, a calibrated unit is calibrated again."""
    bridge = margin.load("cases/load_cell/case.toml")
    plan = load_cycle([1e6, 3e6], runs=2, option="two points on the curve")
    names = [test.name for test in further_tests(bridge, plan)]
    assert "shunt calibration of the bridge" in names
    assert "calibrate again" in names
    assert "readings while unloading" not in names
    for test in further_tests(bridge, plan):
        assert np.all(np.isfinite(test.outcome(as_designed(bridge), plan, 20, 1)))


def test_another_unit_lends_its_own_spread(case: Case) -> None:
    """With the sensor of a good unit the units differ from themselves, with all parts kept they do not."""
    base = as_designed(case)
    own = features_drawn(base, CYCLE, 30, 5)
    lent = features_drawn(base, CYCLE, 30, 5, Occasion(swapped=frozenset({"sensor"}), other_seed=6))
    again = features_drawn(base, CYCLE, 30, 5)
    assert np.array_equal(own, again)
    assert np.corrcoef(own[:, 1], lent[:, 1])[0, 1] < 0.6


def test_a_further_test_has_placements_of_its_own(case: Case) -> None:
    """The same cycle again is of the same units, whose levels it shares, and not of the same placements: the levels of
    runs that scatter by themselves are not those of the observation."""
    test = named(case, "the same cycle again")
    base = as_designed(case)
    first, second = features_drawn(base, CYCLE, 300, 5), test.outcome(base, CYCLE, 300, 5)
    names = [feature.name for feature in features_of(CYCLE)]
    level, scatter = names.index("error"), names.index("scatter from run to run")
    assert np.corrcoef(first[:, level], second[:, level])[0, 1] > 0.7
    assert abs(np.corrcoef(first[:, scatter], second[:, scatter])[0, 1]) < 0.25


@pytest.mark.parametrize(
    "cause", ["loss of sensitivity", "wrong firmware constant", "wrong resistor of the front end"]
)
def test_kept_units_are_the_units_themselves(cause: str) -> None:
    """Units that serve for several situations, with what is kept of them, read to the bit as units drawn anew."""
    case = small_case()
    plan = dataclasses.replace(CYCLE, option=case.calibrations[-1].name)
    kept = kept_units(case, 20, 5)
    base = as_designed(case)
    for situation in (base, cause_named(case, cause).apply(base, 0.2), base):
        again = features_drawn(situation, plan, 20, 5, drawn=kept)
        assert np.array_equal(again, features_drawn(situation, plan, 20, 5))
