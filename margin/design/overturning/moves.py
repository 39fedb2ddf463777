"""Moves of the assumed quantities of a case: sizes of spreads, mean values, effects known only within a band.

A move has a coordinate `u` that is 0 at the assumed value and grows away from it. What it changes are multipliers of
spreads alone (`propagation.variants.Variant`): for a shift, the case gets a further spread of the quantity, a fixed
deviation common to all units, whose multiplier is 0 until it is moved. So one recorded case serves every value.

The firmware keeps the nominal value throughout: what is moved is the true value, of which nobody knows.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from distributions import Distribution, Fixed
from margin.case.types import Case, Quantity, Role, Spread
from margin.chain.parameter import Level, Parameter, parameters_of
from margin.propagation.factors import Factor, factors_of, spread_factors

Kind = Literal["size", "value", "effect"]
Measure = Literal["half width", "standard deviation", "mean", "true value", "value"]

MOST_TIMES = 10.0
"""Multiple of an assumed size up to which a turning point is sought."""

MOST_SCORES = 10.0
"""Standard deviations of the assumed spread or band up to which a mean value or an effect is moved."""

TWICE = 2.0
"""Factor that counts as one standard score of an assumed size (common practice for a guess, no source)."""

RARE = 1e-6
"""Probability of the lowest draw of a spread without an end: what must be positive is positive there."""

SHORT_OF = 0.99
"""Part of the way to a limit of a quantity that a move may take."""


@dataclass(frozen=True)
class Move:
    """One direction in which an assumed quantity may be wrong.

    quantity  name for people: 'use.temperature (cold)'; key: of the case, 'use.condition.cold.temperature'
    place     index of the spread of the quantity; None for a quantity that scales a draw
    kind      'size' of a spread, mean 'value' of a quantity whose spread stays, or 'effect': the one true value of what
              is assumed within a band, known then
    sign      +1 upwards, -1 downwards
    factors   whose spread is multiplied; shift: the further factor of a moved mean, None without one
    sd, mean  of the assumed deviation, in its unit: a share of nominal where `relative`, else SI
    end       largest coordinate
    held_at   why the coordinate ends before the usual range; '' where it does not
    """

    quantity: str
    key: str
    role: Role
    level: Level
    place: int | None
    kind: Kind
    sign: int
    factors: tuple[str, ...]
    shift: str | None
    nominal: float
    unit: str
    relative: bool
    distribution: Distribution | None
    mean: float
    sd: float
    end: float
    held_at: str = ""

    @property
    def subject(self) -> str:
        """What is moved, in words of the case: 'circuit.offset per unit'."""
        return f"{self.quantity} per {self.level}" if self.place is not None else self.quantity

    @property
    def measure(self) -> Measure:
        """What its numbers are."""
        if self.kind != "size":
            return "mean" if self.kind == "value" else "true value"
        if self.distribution is None:
            return "value"
        limited = all(map(math.isfinite, self.distribution.support))
        return "half width" if limited else "standard deviation"

    def multiple(self, u: float) -> float:
        """Multiple of the assumed size: 2**u where it grows, 1 - u where it shrinks."""
        return TWICE**u if self.sign > 0 else 1.0 - u

    def score(self, u: float) -> float:
        """Distance from the assumed value in standard scores: standard deviations, or doublings of a size."""
        if self.kind != "size" or self.sign > 0:
            return u
        return math.inf if u >= 1.0 else -math.log2(1.0 - u)

    def coordinate(self, score: float) -> float:
        """Coordinate at a distance in standard scores."""
        return score if self.kind != "size" or self.sign > 0 else 1.0 - TWICE**-score

    def deviation(self, u: float) -> float:
        """Deviation of the moved mean from nominal, in the unit of its spread."""
        middle = self.mean if self.kind == "effect" else 0.0
        return middle + self.sign * u * self.sd

    def scales(self, u: float) -> dict[str, float]:
        """Multipliers of spreads at a coordinate."""
        if self.kind == "size":
            return dict.fromkeys(self.factors, self.multiple(u))
        shift = {} if self.shift is None else {self.shift: self.deviation(u)}
        return {**shift, **dict.fromkeys(self.factors, 0.0)} if self.kind == "effect" else shift

    def number(self, u: float) -> float:
        """The moved number in its unit: a size (half width, or standard deviation without limits) or a value."""
        if self.kind == "size":
            return self.size * self.multiple(u)
        moved = self.deviation(u)
        return self.nominal * (1.0 + moved) if self.relative else self.nominal + moved

    @property
    def size(self) -> float:
        """Assumed size of the spread."""
        if self.distribution is None:
            return self.nominal
        return size_of(self.distribution)

    @property
    def band(self) -> tuple[float, float]:
        """What is plausible, as numbers: limits of the band, two standard deviations of one without, or half to twice
        the assumed size."""
        if self.kind == "size":
            return self.size / TWICE, self.size * TWICE
        middle = self.mean if self.kind == "effect" else 0.0
        low, high = (middle - 2.0 * self.sd, middle + 2.0 * self.sd)
        if self.distribution is not None and all(map(math.isfinite, self.distribution.support)):
            low, high = (end - self.mean + middle for end in self.distribution.support)
        ends = (self.nominal * (1.0 + e) if self.relative else self.nominal + e for e in (low, high))
        return tuple(sorted(ends))  # type: ignore[return-value]


def size_of(distribution: Distribution) -> float:
    """Half width of a distribution with limits, else its standard deviation."""
    low, high = distribution.support
    return 0.5 * (high - low) if math.isfinite(low) and math.isfinite(high) else _sd(distribution)


def _sd(distribution: Distribution) -> float:
    sd = float(distribution.sd)
    if math.isfinite(sd):
        return sd
    low, high = (float(distribution.ppf(p)) for p in (0.15865525393145707, 0.8413447460685429))
    return 0.5 * (high - low)


def moves_of(case: Case) -> tuple[Case, tuple[Move, ...]]:
    """The case with a shift at every quantity that is moved, and the moves, in the order of the chain.

    Of each assumed spread its size, up and down, and the mean value of its quantity, both ways; of each quantity known
    only within a band of level `common` its true value, both ways; of each quantity stated by hand that scales a draw
    (noise, placement) its size.
    """
    drawn = {factor.name for factor in factors_of(case)}
    elements, conditions = dict(case.elements), list(case.conditions)
    moves: list[Move] = []
    shared: dict[str, tuple[Spread, ...]] = {}
    for role, spec in case.elements.items():
        quantities = dict(spec.quantities)
        for field, quantity in spec.quantities.items():
            if quantity.shared_with is None:
                declared = parameters_of(spec.cls)[field]
                found = _moved(case, quantity, role, f"{role}.{field}", None, declared, drawn)
                quantities[field] = found[0]
                shared[f"{role}.{field}"] = found[0].spreads
                moves += [*found[1], *_scaling(case, quantity, role, field)]
        elements[role] = dataclasses.replace(spec, quantities=quantities)
    for number, condition in enumerate(case.conditions):
        quantities = dict(condition.quantities)
        for field, quantity in condition.quantities.items():
            declared = parameters_of(case.elements["use"].cls)[field]
            key = f"use.condition.{condition.name}.{field}"
            quantities[field], own = _moved(case, quantity, "use", key, condition.name, declared, drawn)
            moves += own
        conditions[number] = dataclasses.replace(condition, quantities=quantities)
    for role, spec in elements.items():
        quantities = {
            field: dataclasses.replace(q, spreads=shared[q.shared_with]) if q.shared_with in shared else q
            for field, q in spec.quantities.items()
        }
        elements[role] = dataclasses.replace(spec, quantities=quantities)
    ready = dataclasses.replace(case, elements=elements, conditions=tuple(conditions))
    return ready, tuple(moves)


def _moved(
    case: Case,
    quantity: Quantity,
    role: Role,
    key: str,
    condition: str | None,
    declared: Parameter,
    drawn: set[str],
) -> tuple[Quantity, list[Move]]:
    """The quantity with a shift of each kind of deviation that is moved, and its moves."""
    named = quantity.name if condition is None else f"{quantity.name} ({condition})"
    factors = spread_factors(quantity, role, condition)
    assumed = [
        place
        for place, (spread, factor) in enumerate(zip(quantity.spreads, factors, strict=True))
        if factor.name in drawn
        and _sd(spread.distribution) > 0.0
        and any(each.quantity == named and each.level == spread.level for each in case.assumptions)
    ]
    if not assumed:
        return quantity, []
    # one mean a quantity, moved in units of its largest assumed spread
    physical = [place for place in assumed if quantity.spreads[place].level != "common"]
    widest = max(physical, key=lambda p: _absolute_sd(quantity, quantity.spreads[p]), default=None)
    moves: list[Move] = []
    for place in assumed:
        spread, factor = quantity.spreads[place], factors[place]
        effect = spread.level == "common"
        if effect or place == widest:
            further = Spread("common", Fixed(1.0), spread.relative, "shift")
            quantity = dataclasses.replace(quantity, spreads=(*quantity.spreads, further))
            shift = spread_factors(quantity, role, condition)[-1].name
            kind: Kind = "effect" if effect else "value"
            for sign in (1, -1):
                moves.append(
                    _move(quantity, named, key, role, place, kind, sign, (factor.name,), shift, declared)
                )
        if not effect:
            for sign in (1, -1):
                moves.append(
                    _move(quantity, named, key, role, place, "size", sign, (factor.name,), None, declared)
                )
    return quantity, moves


def _absolute_sd(quantity: Quantity, spread: Spread) -> float:
    return _sd(spread.distribution) * (abs(quantity.nominal) if spread.relative else 1.0)


def _move(
    quantity: Quantity,
    named: str,
    key: str,
    role: Role,
    place: int,
    kind: Kind,
    sign: int,
    factors: tuple[str, ...],
    shift: str | None,
    declared: Parameter,
) -> Move:
    spread = quantity.spreads[place]
    distribution = spread.distribution
    found = Move(
        named, key, role, spread.level, place, kind, sign, factors, shift, quantity.nominal, quantity.unit,
        spread.relative, distribution, float(distribution.mean), _sd(distribution), 0.0,
    )  # fmt: skip
    end, held = _end(found, declared)
    return dataclasses.replace(found, end=end, held_at=held)


def _scaling(case: Case, quantity: Quantity, role: Role, field: str) -> Iterator[Move]:
    """Sizes of what scales a draw and is stated by hand in the case: 'interface.placement'."""
    stated = field in case.source.get(role, {}) and quantity.nominal != 0.0 and not quantity.spreads
    names = tuple(f.name for f in _scaled_by(case, role, field)) if stated else ()
    for sign in (1, -1) if names else ():
        level = next(f.level for f in factors_of(case) if f.name in names)
        end = math.log2(MOST_TIMES) if sign > 0 else 1.0
        yield Move(
            quantity.name, f"{role}.{field}", role, level, None, "size", sign, names, None, quantity.nominal,
            quantity.unit, False, None, 0.0, abs(quantity.nominal), end,
        )  # fmt: skip


def _scaled_by(case: Case, role: Role, field: str) -> Sequence[Factor]:
    return [f for f in factors_of(case) if f.role == role and f.scales == field]


def _end(move: Move, declared: Parameter) -> tuple[float, str]:
    """Largest coordinate of a move, and what ends it before the usual range: a limit of the quantity, or ''."""
    low = -math.inf if declared.minimum is None else declared.minimum
    high = math.inf if declared.maximum is None else declared.maximum
    bottom = 0.0
    if move.distribution is not None and declared.positive:
        support = move.distribution.support[0]
        bottom = support if math.isfinite(support) else float(move.distribution.ppf(RARE))
    lowest = bottom * (move.nominal if move.relative else 1.0)
    if move.kind == "size":
        if move.sign < 0:
            return 1.0, ""
        usual = math.log2(MOST_TIMES)
        if not declared.positive or lowest >= 0.0:
            return usual, ""
        most = SHORT_OF * move.nominal / -lowest
        return (usual, "") if most >= MOST_TIMES else (math.log2(max(most, 1.0)), "must stay above 0")
    if declared.positive:
        low = max(low, 0.0 if move.kind == "effect" else -lowest)
    if move.kind == "effect":
        # an effect keeps the sign that its whole band has: a loop, a creep or a scatter does not turn round
        low = max(low, 0.0) if move.band[0] >= 0.0 else low
        high = min(high, 0.0) if move.band[1] <= 0.0 else high
    limit = high if move.sign > 0 else low
    room = SHORT_OF * abs(limit - move.number(0.0)) / abs(move.number(1.0) - move.number(0.0))
    if (move.number(0.0) - limit) * move.sign >= 0.0:
        room = 0.0
    if room >= MOST_SCORES:
        return MOST_SCORES, ""
    return room, f"the quantity ends at {limit:g} {move.unit}".rstrip()
