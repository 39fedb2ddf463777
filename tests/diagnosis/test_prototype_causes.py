"""Causes of the catalogue, what the engine predicts for them, and their ranking."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.stats import multivariate_t

import margin
from margin.case import Case
from margin.diagnosis.catalogue import (
    CATALOGUE,
    Cause,
    CauseError,
    causes_of,
    register_cause,
    unregister_cause,
)  # fmt: skip
from margin.diagnosis.drawn_groups import Drawn, Path
from margin.diagnosis.effects_of_causes import relative, top_output
from margin.diagnosis.likelihood import fit
from margin.diagnosis.plan import ObservationError, load_cycle
from margin.diagnosis.predictions import Predicted, predict, visible
from margin.diagnosis.ranking import NOTHING, UNKNOWN, Diagnosis, diagnose
from margin.diagnosis.segments import segments_of
from margin.diagnosis.situation import as_designed
from margin.diagnosis.taken import take
from tests.diagnosis.small_prototype import CYCLE, cause_named, drawn, prototypes, small_case
from tests.pad_study import pad_case


@pytest.fixture(scope="module")
def case() -> Case:
    """The pad of the tests."""
    return small_case()


@pytest.fixture(scope="module")
def predicted(case: Case) -> Predicted:
    """What the engine predicts for its load cycle."""
    return predict(case, CYCLE, units=200, sizes=6)


def test_the_catalogue_has_causes_for_every_part(case: Case) -> None:
    """At least 18 causes suit a thin-film pad, a bridge has its own, and every part of the chain has some."""
    assert len(causes_of(case)) >= 18
    assert len({cause.name for cause in CATALOGUE}) == len(CATALOGUE)
    bridge = causes_of(margin.load("cases/load_cell/case.toml"))
    assert len(bridge) >= 10
    assert "worn film" not in {cause.name for cause in bridge}
    assert {cause.part for cause in CATALOGUE} == {
        "sensor", "mechanics", "circuit", "converter", "firmware", "calibration", "climate",
    }  # fmt: skip


def test_firmware_counts_on_the_design_whatever_the_unit_became(case: Case) -> None:
    """A film 20 % less sensitive reports the load whose conductance as designed is 20 % lower: F 0.8 ^ (1 / n)."""
    plain = pad_case(sensor={"exponent": 0.9}, converter={"bits": 0})
    lost = cause_named(case, "loss of sensitivity").apply(as_designed(plain), 0.2)
    reported = take(lost, load_cycle([20.0, 40.0], runs=1), 1, 1).runs[0, 0]
    # instruments scatter by a tenth of a percent
    assert reported[1:3] == pytest.approx(0.8 ** (1.0 / 0.9) * np.array([20.0, 40.0]), rel=6e-3)
    assert top_output(lost.firmware) == top_output(plain)


@pytest.mark.parametrize(
    ("name", "size"),
    [
        ("wider loop of the sensor", 0.08), ("faster creep", 0.04), ("delaminated film", 0.06), ("worn film", 0.25),
        ("scatter between placements", 0.08), ("housing stop engages early", 0.3), ("clipping of the amplifier", 0.3),
        ("friction in the guide", 0.04), ("noise of the converter", 60.0), ("zero shift of the sensor", 0.08),
        ("loss of sensitivity", 0.3), ("wrong resistor of the front end", -0.5), ("preload lost", 0.9),
    ],
)  # fmt: skip
def test_a_cause_or_its_class_comes_first(case: Case, predicted: Predicted, name: str, size: float) -> None:
    """Of eight prototypes with a large change at least seven have it, or causes that act alike, in the first place."""
    made = prototypes(case, CYCLE, cause_named(case, name), size, 8, 31)
    firsts = [diagnose(predicted, each).ranking[0][0] for each in made]
    assert sum(name in names for names in firsts) >= 7, firsts


def test_the_size_lies_in_its_interval(case: Case, predicted: Predicted) -> None:
    """The 95 % interval of the size covers the true one in at least 19 of 24 prototypes (binomial, P < 0.1 %)."""
    cause = cause_named(case, "wider loop of the sensor")
    inside = 0
    for each in prototypes(case, CYCLE, cause, 0.08, 24, 5):
        found = next(c for c in diagnose(predicted, each).causes if c.name == cause.name)
        assert found.low <= found.size <= found.high
        inside += found.low <= 0.08 <= found.high
    assert inside >= 19


def test_an_unchanged_prototype_is_left_alone(case: Case, predicted: Predicted) -> None:
    """Of 50 unchanged prototypes at least 45 have nothing unusual in the first place."""
    made = prototypes(case, CYCLE, None, 0.0, 50, 7)
    kept = [diagnose(predicted, each).ranking[0][0] == (NOTHING,) for each in made]
    assert sum(kept) >= 45


def test_probabilities_add_up(case: Case, predicted: Predicted) -> None:
    """Causes, nothing unusual and none of the catalogue together have probability 1; classes share them out."""
    found: Diagnosis = diagnose(predicted, prototypes(case, CYCLE, None, 0.0, 1, 3)[0])
    total = found.nothing + found.unknown
    assert total + sum(c.probability for c in found.causes) == pytest.approx(1.0)
    assert total + sum(c.probability for c in found.classes) == pytest.approx(1.0)
    named = [name for group in found.classes for name in group.names]
    assert sorted(named) == sorted(c.name for c in found.causes)


def test_what_the_catalogue_cannot_explain_is_called_so(case: Case, predicted: Predicted) -> None:
    """A prototype that reads high and low in turn has no cause in the catalogue, and no interval hides it."""
    seen = prototypes(case, CYCLE, None, 0.0, 1, 3)[0]
    bumpy = seen.reported * np.where(np.arange(len(CYCLE.steps)) % 2, 1.12, 0.9)
    found = diagnose(predicted, dataclasses.replace(seen, reported=bumpy))
    assert found.ranking[0][0] == (UNKNOWN,)
    assert found.verdict == "none of the catalogue"
    assert found.causes[0].contradicted_by


def test_two_causes_are_found_together(case: Case, predicted: Predicted) -> None:
    """A film that creeps faster behind a clipping amplifier: the pair is among those that gain most."""
    both = cause_named(case, "faster creep").apply(as_designed(case), 0.05)
    both = cause_named(case, "housing stop engages early").apply(both, 0.4)
    found = diagnose(predicted, drawn(both, CYCLE, 1, 12)[0])
    assert any(set(p.names) == {"faster creep", "housing stop engages early"} for p in found.pairs)


def test_the_density_of_a_path_is_the_integral_over_its_sizes() -> None:
    """The evidence of a straight path in normal noise is that of numerical integration over the size."""
    cov = np.array([[1.0, 0.6], [0.6, 2.0]])

    def at(size: float, *mean: float) -> Drawn:
        return Drawn(size, np.array(mean), np.array([mean]), np.array([cov]), 1e6)

    path = Path((at(1.0, 1.0, -0.5), at(3.0, 5.0, 2.5)), np.ones(1))
    segments = segments_of(at(0.0, 0.0, 0.0), [[path]], 0.0)
    y = np.array([2.4, 0.1])
    found = fit(segments, y).log_evidence
    t = (np.arange(4000) + 0.5) / 4000
    means = path.drawn[0].mean + t[:, None] * (path.drawn[1].mean - path.drawn[0].mean)
    by_hand = np.mean([multivariate_t.pdf(y, m, cov, df=1e6) for m in means])
    assert found[1] == pytest.approx(np.log(by_hand), abs=1e-3)
    assert found[0] == pytest.approx(multivariate_t.logpdf(y, [0, 0], cov, df=1e6), abs=1e-3)


def test_a_cause_of_ones_own_is_diagnosed(case: Case) -> None:
    """A registered cause takes part, a name of the catalogue and an impossible range are refused."""
    own = Cause("foil left on the film", "mechanics", "creep", "%", 0.01, 0.2, relative("sensor.creep", 3.0))
    assert register_cause(own) is own
    try:
        assert own in causes_of(case)
    finally:
        unregister_cause(own.name)
    with pytest.raises(CauseError, match="is in the catalogue"):
        register_cause(Cause("worn film", "sensor", "x", "%", 0.1, 0.2, relative("sensor.creep", 1.0)))
    with pytest.raises(CauseError, match="0 < low < high"):
        Cause("x", "sensor", "x", "%", 0.2, 0.1, relative("sensor.creep", 1.0))
    with pytest.raises(CauseError, match="no registered cause"):
        unregister_cause("nobody")


def test_another_load_cycle_is_refused(case: Case, predicted: Predicted) -> None:
    """Predictions hold for the load cycle that they were made for."""
    other = load_cycle([6.0, 60.0], runs=2)
    with pytest.raises(ObservationError, match="another load cycle"):
        diagnose(predicted, prototypes(case, other, None, 0.0, 1, 1)[0])


def test_probabilities_are_those_with_which_they_are_true(case: Case, predicted: Predicted) -> None:
    """Of prototypes drawn by the prior, as many hypotheses are true as their probabilities add up to, among those given
    10 to 50 % and those given more (within 3 standard errors); their log score beats that of the residuals alone."""
    rng = np.random.default_rng(77)
    seen = np.flatnonzero(visible(predicted))
    given: list[tuple[float, bool]] = []
    score = np.zeros(2)
    for number in range(110):
        nothing = rng.random() < predicted.prior_nothing
        place = int(rng.choice(seen))
        path = predicted.sizes[place][int(rng.integers(len(predicted.sizes[place])))]
        low, high = (np.log(abs(end.size)) for end in (path.drawn[0], path.drawn[-1]))
        size = float(np.sign(path.drawn[0].size) * np.exp(rng.uniform(low, high)))
        cause = None if nothing else predicted.causes[place]
        one = prototypes(case, CYCLE, cause, size, 1, 50_000 + number)[0]
        found = diagnose(predicted, one)
        own = {c.name: c.probability for c in found.causes} | {NOTHING: found.nothing}
        true = NOTHING if cause is None else cause.name
        given += [(p, name == true) for name, p in own.items()]
        distance = {
            name: float(np.min(found.found.distance[predicted.segments.owner == k]))
            for k, name in enumerate((NOTHING, *predicted.names()), -1)
            if name in own
        }
        least = min(distance.values())
        residual = {name: np.exp(-0.5 * (d - least)) for name, d in distance.items()}
        score += np.log([max(own[true], 1e-6), max(residual[true] / sum(residual.values()), 1e-6)])
    p, right = np.array([p for p, _ in given]), np.array([t for _, t in given])
    for low, high in ((0.1, 0.5), (0.5, 1.01)):
        inside = (p >= low) & (p < high)
        error = np.sqrt(np.sum(p[inside] * (1.0 - p[inside])))
        assert abs(right[inside].sum() - p[inside].sum()) < 3.0 * error
    assert score[0] > score[1]
