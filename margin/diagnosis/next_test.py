"""The next test of a prototype: the one expected to tell most about its cause for its effort."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from margin.case.types import Case
from margin.diagnosis.further_tests import FurtherTest, further_tests
from margin.diagnosis.likelihood import size_quantiles
from margin.diagnosis.occasions import kept_units
from margin.diagnosis.paths import SEED
from margin.diagnosis.plan import Plan
from margin.diagnosis.ranking import NOTHING, Diagnosis
from margin.diagnosis.scores import Scores, scores_of
from margin.diagnosis.situation import Situation, as_designed

Array = NDArray[np.float64]

SETTING_UP = 30.0
"""Minutes that any test takes besides its own effort: setting up and evaluating it (common practice, no source)."""

LEAST_PROBABILITY = 0.01
"""Probability below which a cause is left out of the choice of a test."""

LEAST_VARIANCE = 0.03
"""Variance added to every score: means and spreads are those of few draws."""

FREEDOM = 12.0
"""Degrees of freedom of the multivariate t distribution of an outcome: spreads are estimated from few draws."""

OUTLIERS = 0.01
"""Share of the outcomes of a test that are not as predicted, whatever the cause (common practice, no source)."""

QUANTILES = (0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99)
SHARES = (0.04, 0.16, 0.2, 0.2, 0.2, 0.16, 0.04)
"""Quantiles of the size by which a cause is stood for, and the share of its probability that each stands for."""

STRONGEST = 8
"""Most causes among which a test is chosen."""


@dataclass(frozen=True)
class Candidate:
    """One cause at one size.

    weight  probability; known: scores of drawn units in all that was observed so far, (unit, feature)
    """

    name: str
    part: str
    situation: Situation
    weight: float
    known: Array


@dataclass(frozen=True)
class ProposedTest:
    """A test with the information, in bits, that it is expected to give about the cause; score: per hour.

    separates  names of the causes between which its outcome most likely decides
    """

    test: FurtherTest
    information: float
    score: float
    separates: tuple[str, ...]

    @property
    def name(self) -> str:
        """Name of the test."""
        return self.test.name


@dataclass(frozen=True)
class Inquiry:
    """What is known of a prototype while its cause is searched: candidates, and the features observed so far.

    observed  (feature,) scores of the observation and of all tests since
    """

    case: Case
    plan: Plan
    candidates: tuple[Candidate, ...]
    observed: Array
    seed: int = SEED
    done: tuple[str, ...] = ()

    @property
    def probabilities(self) -> dict[str, float]:
        """Of every cause among the candidates, by falling probability."""
        return self._summed([c.name for c in self.candidates])

    @property
    def parts(self) -> dict[str, float]:
        """Of every part that the cause may lie in, by falling probability."""
        return self._summed([c.part for c in self.candidates])

    def _summed(self, labels: Sequence[str]) -> dict[str, float]:
        found: dict[str, float] = {}
        for label, candidate in zip(labels, self.candidates, strict=True):
            found[label] = found.get(label, 0.0) + candidate.weight
        return dict(sorted(found.items(), key=lambda each: -each[1]))

    def tests(self) -> tuple[FurtherTest, ...]:
        """Tests that have not been made."""
        return tuple(t for t in further_tests(self.case, self.plan) if t.name not in self.done)

    def ranked(self, samples: int = 60) -> tuple[ProposedTest, ...]:
        """Tests by falling expected information for their effort."""
        found = [self._proposed(test, samples) for test in self.tests()]
        return tuple(sorted(found, key=lambda each: -each.score))

    def after(self, test: FurtherTest, outcome: Array) -> Inquiry:
        """What is known once a test had this outcome, features (feature,)."""
        draws, scores = self._outcomes(test)
        seen = scores.of(outcome)
        outcomes = self._distributions(draws)
        logs = self._weighted(outcomes, seen[None])[:, 0]
        weights = np.exp(logs - logsumexp(logs))
        candidates = tuple(
            replace(c, weight=float(w), known=np.concatenate([c.known, drawn], axis=1))
            for c, w, drawn in zip(self.candidates, weights, draws, strict=True)
        )
        return replace(
            self,
            candidates=candidates,
            observed=np.concatenate([self.observed, seen]),
            done=(*self.done, test.name),
        )

    def _outcomes(self, test: FurtherTest) -> tuple[list[Array], Scores]:
        """Scores of drawn outcomes of a test by candidate, (unit, feature), and their scale."""
        units = self.candidates[0].known.shape[0]
        same = kept_units(self.case, units, self.seed)
        features = [test.outcome(c.situation, self.plan, units, self.seed, same) for c in self.candidates]
        scores = scores_of(np.concatenate(features))
        return [scores.of(each) for each in features], scores

    def _distributions(self, draws: list[Array]) -> list[_Outcome]:
        """Distribution of the outcome by candidate; that of a cause reaches halfway to its neighbouring sizes."""
        given = _given(self.candidates, draws, self.observed)
        names = [c.name for c in self.candidates]
        found = []
        for k, (mean, covariance) in enumerate(given):
            near = [given[j][0] for j in (k - 1, k, k + 1) if 0 <= j < len(given) and names[j] == names[k]]
            reach = (near[-1] - near[0]) / max(len(near) - 1, 1)
            found.append(_Outcome(mean, covariance + 0.25 * np.outer(reach, reach)))
        return found

    def _weighted(self, outcomes: Sequence[_Outcome], seen: Array) -> Array:
        """Logarithm of weight times density of outcomes (outcome, feature), (candidate, outcome).

        The share OUTLIERS of the outcomes is as any candidate would have it: no single test rules a cause out.
        """
        densities = np.array([outcome.log_density(seen) for outcome in outcomes])
        weights = np.log(np.maximum([c.weight for c in self.candidates], 1e-300))[:, None]
        any_of_them = logsumexp(densities + weights, axis=0)
        own = np.logaddexp(np.log1p(-OUTLIERS) + densities, np.log(OUTLIERS) + any_of_them)
        return np.asarray(own + weights)

    def _proposed(self, test: FurtherTest, samples: int) -> ProposedTest:
        """Mutual information between cause and outcome, by samples of the outcome from every candidate."""
        draws, _ = self._outcomes(test)
        outcomes = self._distributions(draws)
        rng = np.random.default_rng(self.seed)
        normal = rng.normal(size=(samples, draws[0].shape[1]))
        # heavier tails than normal, as the densities have
        normal *= np.sqrt((FREEDOM - 2.0) / rng.chisquare(FREEDOM, size=(samples, 1)))
        names = np.array([c.name for c in self.candidates])
        shares = self.probabilities
        bits, decided = 0.0, dict.fromkeys(shares, 0.0)
        for candidate, outcome in zip(self.candidates, outcomes, strict=True):
            seen = outcome.mean + normal @ outcome.root.T
            logs = self._weighted(outcomes, seen)
            every = logsumexp(logs, axis=0)
            own = logsumexp(logs[names == candidate.name], axis=0)
            gained = float(np.mean(own - every) - np.log(shares[candidate.name])) / np.log(2.0)
            bits += candidate.weight * gained
            decided[candidate.name] += candidate.weight / shares[candidate.name] * gained
        leading = [name for name, share in shares.items() if share >= 0.05 and decided[name] > 0.3]
        information = max(bits, 0.0)
        return ProposedTest(
            test, information, 60.0 * information / (SETTING_UP + test.minutes), tuple(leading)
        )


def _given(
    candidates: Sequence[Candidate], draws: Sequence[Array], observed: Array
) -> list[tuple[Array, Array]]:
    """Mean and covariance of the outcome of a test by candidate, given what was observed, from joint draws of units.

    What the outcome has in common with the observation is that of the units, whatever the cause: it is taken from all
    candidates together, so that the noise of few draws does not tell them apart.
    """
    weights = np.array([c.weight for c in candidates])
    weights = weights / weights.sum()
    known = [c.known - c.known.mean(axis=0) for c in candidates]
    others = [drawn - drawn.mean(axis=0) for drawn in draws]
    count = known[0].shape[0] - 1
    own = sum(w * (k.T @ k) for w, k in zip(weights, known, strict=True)) / count
    cross = sum(w * (k.T @ o) for w, k, o in zip(weights, known, others, strict=True)) / count
    # the observation may lie outside what few draws resolve
    own = own + LEAST_VARIANCE * np.eye(own.shape[0])
    lever = np.linalg.solve(own, cross)
    found = []
    for candidate, centred, other, drawn in zip(candidates, known, others, draws, strict=True):
        surprise = observed - candidate.known.mean(axis=0)
        # a normal distribution says nothing of an observation far from its draws: the correction is held to its scale
        far = float(np.sqrt(surprise @ np.linalg.solve(own, surprise) / surprise.size))
        mean = drawn.mean(axis=0) + surprise @ lever / max(far / 2.0, 1.0)
        left = other - centred @ lever
        found.append((mean, left.T @ left / count + LEAST_VARIANCE * np.eye(mean.size)))
    return found


class _Outcome:
    """Multivariate t distribution of the outcome of a test."""

    def __init__(self, mean: Array, covariance: Array) -> None:
        self.mean = mean
        self.root: Array = np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)
        self._inverse = np.linalg.inv(self.root)
        self._log_det = 2.0 * float(np.sum(np.log(np.diag(self.root))))

    def log_density(self, outcome: Array) -> Array:
        """(outcome,), of outcomes (outcome, feature): multivariate t, as spreads are estimated from few draws."""
        nu, p = FREEDOM, outcome.shape[1]
        squared = np.sum(((outcome - self.mean) @ self._inverse.T) ** 2, axis=1)
        result: Array = -0.5 * self._log_det - 0.5 * (nu + p) * np.log1p(squared / (nu - 2.0))
        return result


def inquiry_of(diagnosis: Diagnosis, *, units: int = 300) -> Inquiry:
    """What a diagnosis leaves open: its causes at quantiles of their sizes, with their probabilities.

    units  prototypes drawn for each of them
    """
    predicted = diagnosis.predicted
    case, plan = predicted.case, predicted.plan
    named = {cause.name: (place, cause) for place, cause in enumerate(predicted.causes)}
    base = as_designed(case)
    chosen: list[tuple[str, str, Situation, float]] = []
    if diagnosis.nothing >= LEAST_PROBABILITY:
        chosen.append((NOTHING, NOTHING, base, diagnosis.nothing))
    for ranked in diagnosis.causes[:STRONGEST]:
        if ranked.probability < LEAST_PROBABILITY and chosen:
            continue
        place, cause = named[ranked.name]
        which = predicted.segments.owner == place
        sizes = size_quantiles(predicted.segments, diagnosis.found, which, QUANTILES)
        for size, share in zip(sizes, SHARES, strict=True):
            chosen.append(
                (ranked.name, ranked.part, cause.apply(base, float(size)), share * ranked.probability)
            )
    total = sum(weight for *_, weight in chosen)
    kept = kept_units(case, units, SEED)
    candidates = tuple(
        Candidate(name, part, situation, weight / total, predicted.drawn(situation, units, SEED, kept))
        for name, part, situation, weight in chosen
    )
    return Inquiry(case, plan, candidates, predicted.scores.of(diagnosis.observation.features))
