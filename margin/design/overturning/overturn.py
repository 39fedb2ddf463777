"""What would overturn the decision about one option: the turning value of every assumed quantity, and pairs of them."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from distributions.errors import InvalidArgument
from margin.case.types import Case
from margin.design.overturning.bounds import MovedBounds
from margin.design.overturning.left_out import left_out
from margin.design.overturning.moves import Move, moves_of
from margin.design.overturning.result import Overturning, Pair, Turning
from margin.design.overturning.sample_sizes import (
    BY_ARRAYS,
    LEAST_UNITS,
    UNITS,
    KnownBounds,
    fewer_units,
    of_option,
    sized,
)
from margin.design.overturning.search import Crossing, Search, Tolerance, run
from margin.design.overturning.written import changes_of
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Estimate, Verdict
from margin.propagation.model import model_of
from margin.propagation.tally import EvaluationError
from margin.version import version

NEAREST = 5
"""Turning points that are searched with all units."""

PAIRED = 4
"""Nearest quantities of which all pairs are searched."""

BEYOND = 1.25
"""Range of a pair relative to the nearer of its turning points: both ends of the interval lie within it as a rule."""

FINE, COARSE = Tolerance(0.01, 0.02), Tolerance(0.04, 0.08)
"""How closely the nearest turning points are found, and all others."""

BOUNDS_A_MOVE = 8
"""Bounds that a search takes about, for the choice of the way of computing."""


def overturning(
    case: Case,
    option: str,
    *,
    units: int | None = None,
    outer: int | None = None,
    nearest: int = NEAREST,
    pairs: bool = True,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> Overturning:
    """Values of assumed quantities at which the verdict on an option turns, the nearest to what is assumed first.

    option   calibration option whose verdict is meant
    units    drawn for each bound of the nearest, by default UNITS and no more than the study's; outer: draws of what
             is common to all of them, where anything is (by default as `plan_of` divides the units)
    nearest  turning points searched with all units; the rest are searched with SCREENED units at most
    pairs    False leaves out pairs of the nearest
    workers  threads; the result does not depend on it

    The verdict turns where the lower bound of the decisive yield crosses the required yield. All bounds are those of
    the same draws, so that a bound follows from a moved value nearly monotonely; the interval of a turning value holds
    the values at which the ends of the interval of the bound cross the required yield, and so covers as that does
    (inversion of a test: Lehmann and Romano, 'Testing Statistical Hypotheses', 2005, 3.5; from memory).

    Distance is counted in standard scores: standard deviations of the assumed spread or band from its middle for a
    value or an effect, doublings (or halvings) of an assumed size.

    Raises InvalidArgument for an unknown option, for too few units and for `nearest` below 0, EvaluationError where the
    case as it stands gives no number.
    """
    names = [each.name for each in case.calibrations]
    if option not in names:
        raise InvalidArgument(f"no calibration option {option!r}; there are {', '.join(map(repr, names))}")
    if nearest < 0:
        raise InvalidArgument(f"nearest must be at least 0 (got {nearest})")
    if units is not None and units < LEAST_UNITS:
        raise InvalidArgument(f"units must be at least {LEAST_UNITS} (got {units})")
    ready, moves = moves_of(of_option(case, option))
    found = _Study.of(ready, moves, units, outer, workers, stage)
    return found.overturning(case, option, nearest, pairs)


@dataclass(frozen=True)
class _Study:
    """The moves of a case with what evaluates them: with all units, and with fewer.

    case  with one option and the shifts of its moves
    """

    case: Case
    moves: tuple[Move, ...]
    full: KnownBounds
    screen: KnownBounds
    stage: Stage

    @classmethod
    def of(
        cls,
        case: Case,
        moves: tuple[Move, ...],
        units: int | None,
        outer: int | None,
        workers: int | None,
        stage: Stage,
    ) -> _Study:
        wanted = min(UNITS, case.study.units) if units is None else units
        shifts = tuple(each.shift for each in moves if each.shift is not None)
        asked = BOUNDS_A_MOVE * max(len(moves), 1)
        whole = sized(case, wanted, outer)
        model = model_of(whole)
        full = MovedBounds.of(whole, shifts, asked, workers, model)
        if not full.engine.fast and units is None and wanted > BY_ARRAYS:
            wanted, whole = BY_ARRAYS, sized(case, BY_ARRAYS, None)
            full = MovedBounds.of(whole, shifts, asked, workers, model)
        screen = KnownBounds(full)
        fewer = fewer_units(full)
        if fewer is not None:
            screen = KnownBounds(MovedBounds.of(sized(case, *fewer), shifts, asked, workers, model))
        return cls(case, moves, screen if fewer is None else KnownBounds(full), screen, stage)

    def overturning(self, case: Case, option: str, nearest: int, pairs: bool) -> Overturning:
        need, frame = case.requirement, self.full.of.plan.frame
        (before,) = self.full([{}])
        if before is None:
            raise EvaluationError(
                f"calibration {option!r}: force errors of the case as it stands are not numbers; run 'margin estimate' "
                "for the first of them"
            )
        conforms = before.value >= need.target
        (screened,) = self.screen([{}])
        if screened is None or (screened.value >= need.target) != conforms:
            # fewer units do not tell on which side of the required yield the design is
            return dataclasses.replace(self, screen=self.full).overturning(case, option, nearest, pairs)
        progress = self.stage("turning values", len(self.moves))
        moves = [m for m in self.moves if m.end > 0.0 and (m.kind != "size" or (m.sign > 0) == conforms)]
        searches = self._searched(self.screen, moves, COARSE, {})
        progress(len(self.moves))
        crossings = {m: each.crossing for m, each in searches.items()}
        order = sorted(
            (m for m in moves if crossings[m] is not None), key=lambda m: _distance(m, crossings[m])
        )
        turnings = {m: self._turning(m, searches[m], self.screen) for m in moves}
        self._refine(order, searches, turnings, nearest)
        first = [m for m in moves if turnings[m].score is not None]
        first.sort(key=lambda m: turnings[m].score.value)  # type: ignore[union-attr]
        last = [m for m in moves if turnings[m].score is None]
        written = {m: self._with_change(case, m, turnings[m]) for m in (*first, *last)}
        found = self._pairs(case, first, written) if pairs else ()
        return Overturning(
            case=case,
            option=option,
            before=before,
            verdict=_verdict(before, need.target),
            turnings=tuple(written[m] for m in (*first, *last)),
            pairs=found,
            left_out=tuple(left_out(case, self.moves)),
            units=frame.units,
            outer=frame.outer,
            screened=self.screen.units,
            bounds=self.full.asked + (0 if self.full is self.screen else self.screen.asked),
            version=version(),
        )

    def _refine(
        self,
        order: Sequence[Move],
        searches: Mapping[Move, Search],
        turnings: dict[Move, Turning],
        nearest: int,
    ) -> None:
        """Search the nearest more closely and with all units, beginning where fewer found them."""
        chosen = order[:nearest]
        progress = self.stage("nearest turning values", len(chosen))
        guesses = {}
        for m in chosen:
            at = searches[m].crossing
            if at is not None:
                guesses[m] = tuple(u for u in (at.near, at.value, at.far) if u is not None)
                if self.full is self.screen:
                    # bounds that are known cost nothing again
                    guesses[m] = tuple(searches[m].points)
        for m, each in self._searched(self.full, chosen, FINE, guesses).items():
            turnings[m] = self._turning(m, each, self.full)
        progress(len(chosen))

    def _searched(
        self,
        bounds: KnownBounds,
        moves: Sequence[Move],
        tolerance: Tolerance,
        guesses: Mapping[Move, tuple[float, ...]],
    ) -> dict[Move, Search]:
        target = self.case.requirement.target
        starts = bounds([m.scales(0.0) if m.kind == "effect" else {} for m in moves])
        searches: dict[int, Search] = {}
        for number, (m, start) in enumerate(zip(moves, starts, strict=True)):
            if start is None:
                raise EvaluationError(f"{m.subject}: force errors at its assumed value are not numbers")
            searches[number] = Search(m.end, target, tolerance, {0.0: start}, guesses.get(m, ()))
        run(searches, lambda asked: bounds([moves[number].scales(u) for number, u in asked]))
        return {m: searches[number] for number, m in enumerate(moves)}

    def _turning(self, move: Move, search: Search, bounds: KnownBounds) -> Turning:
        crossing = search.crossing
        start = search.sign(0.0, "value")
        unit, step = ("%", 100.0) if move.kind == "size" and move.relative else (move.unit, 1.0)
        last = max(search.points)
        held = move.held_at
        if search.broken is not None:
            held = "the chain gives no number beyond"
        value = score = multiple = None
        if crossing is not None:
            value = _numbers(move, crossing, step)
            score = _scores(move, crossing)
            multiple = move.multiple(crossing.value) if move.kind == "size" else None
        low, high = move.band
        return Turning(
            quantity=move.quantity,
            level=move.level if move.place is not None and move.kind == "size" else "",
            key=move.key,
            kind=move.kind,
            measure=move.measure,
            direction="below" if start == (move.sign > 0) else "above",
            sign=move.sign,
            unit=unit,
            assumed=step * move.number(0.0),
            plausible=(step * low, step * high),
            value=value,
            multiple=multiple,
            score=score,
            searched_to=move.score(search.end),
            number_there=step * move.number(search.end),
            held_at=held,
            bound=None if crossing is not None else search.points[last],
            units=bounds.units,
        )

    def _with_change(self, case: Case, move: Move, turning: Turning) -> Turning:
        if turning.score is None:
            return turning
        texts = changes_of(case, [(move, move.coordinate(turning.score.value))])
        return dataclasses.replace(turning, change="".join(f"{key}={text}" for key, text in texts.items()))

    def _pairs(self, case: Case, order: Sequence[Move], turnings: Mapping[Move, Turning]) -> tuple[Pair, ...]:
        """Pairs of the nearest, one move a quantity, at the same distance."""
        bounds = self.screen
        best: dict[str, Move] = {}
        for m in order:
            best.setdefault(m.key, m)
        chosen = list(itertools.combinations(list(best.values())[:PAIRED], 2))
        progress = self.stage("pairs", len(chosen))
        ends = [BEYOND * min(_alone(turnings, m) for m in pair) for pair in chosen]
        starts = bounds([_both(pair, 0.0) for pair in chosen])
        searches = {
            number: Search(end, self.case.requirement.target, COARSE, {0.0: start})
            for number, (end, start) in enumerate(zip(ends, starts, strict=True))
            if start is not None
        }
        run(searches, lambda asked: bounds([_both(chosen[number], u) for number, u in asked]))
        progress(len(chosen))
        found = []
        for number, each in searches.items():
            crossing = each.crossing
            if crossing is None:
                continue
            first, second = chosen[number]
            at = [(m, m.coordinate(crossing.value)) for m in (first, second)]
            values = [m.number(u) * _step(m) for m, u in at]
            texts = changes_of(case, at)
            found.append(
                Pair(
                    turnings[first],
                    turnings[second],
                    values[0],
                    values[1],
                    score=Estimate(crossing.value, crossing.near or 0.0, _or_infinite(crossing.far)),
                    units=bounds.units,
                    changes=tuple(f"{key}={text}" for key, text in texts.items()),
                )
            )
        return tuple(sorted(found, key=lambda pair: pair.score.value))


def _step(move: Move) -> float:
    return 100.0 if move.kind == "size" and move.relative else 1.0


def _alone(turnings: Mapping[Move, Turning], move: Move) -> float:
    score = turnings[move].score
    return math.inf if score is None else score.value


def _both(pair: Sequence[Move], score: float) -> dict[str, float]:
    first, second = pair
    return {**first.scales(first.coordinate(score)), **second.scales(second.coordinate(score))}


def _distance(move: Move, crossing: Crossing | None) -> float:
    return math.inf if crossing is None else move.score(crossing.value)


def _numbers(move: Move, crossing: Crossing, step: float) -> Estimate:
    """Numbers at a crossing, in order; an end at the assumed number says that the interval contains it."""
    near = step * move.number(crossing.near or 0.0)
    far = math.inf * move.sign if crossing.far is None else step * move.number(crossing.far)
    if move.kind != "size" and move.relative and move.nominal < 0.0 and crossing.far is None:
        far = -far
    low, high = sorted((near, far))
    return Estimate(step * move.number(crossing.value), low, high)


def _scores(move: Move, crossing: Crossing) -> Estimate:
    far = math.inf if crossing.far is None else move.score(crossing.far)
    return Estimate(move.score(crossing.value), move.score(crossing.near or 0.0), far)


def _or_infinite(value: float | None) -> float:
    return math.inf if value is None else value


def _verdict(bound: Estimate, target: float) -> Verdict:
    if bound.low >= target:
        return "conforms"
    return "does not conform" if bound.high < target else "undecided"
