"""Small designs whose yield has a closed form, as sets of measures to choose from; every set can be enumerated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from scipy.special import ndtr

from margin.design.measures import Measure, Measures, Prices
from margin.design.measures.result import Judged
from margin.estimates.yield_result import Estimate

Chosen = tuple[int, ...]


@dataclass
class NormalError:
    """Judge of sets by P(|error| <= limit) of a normal error, exactly: intervals have no width.

    sds    standard deviations of independent parts of the error; scales: (measure, part) what each measure multiplies
           them by; bias: of the error; shifts: what each measure adds to it
    times  station time with a set, s
    """

    sds: tuple[float, ...]
    scales: dict[tuple[int, int], float]
    times: Callable[[Chosen], float | None]
    bias: float = 0.0
    shifts: dict[int, float] = field(default_factory=dict)
    limit: float = 1.0

    def share(self, chosen: Chosen) -> float:
        """Yield of a set."""
        parts = [
            sd * np.prod([self.scales.get((place, part), 1.0) for place in chosen])
            for part, sd in enumerate(self.sds)
        ]
        spread, middle = (
            np.hypot.reduce(parts),
            self.bias + sum(self.shifts.get(each, 0.0) for each in chosen),
        )
        return float(ndtr((self.limit - middle) / spread) - ndtr((-self.limit - middle) / spread))

    def screen(self, chosen: Chosen) -> Judged | None:
        """The set, judged without any doubt."""
        if self.times(chosen) is None:
            return None
        exact = Estimate(*[self.share(chosen)] * 3)
        return Judged(exact, exact, 0.99, 1)

    glance = screen

    def confirm(self, chosen: Chosen, confidence: float, times: int = 1) -> Judged:
        """The same."""
        found = self.screen(chosen)
        assert found is not None
        return found

    def seconds(self, chosen: Chosen) -> float | None:
        """Station time, s."""
        return self.times(chosen)


def design(seed: int, most: int = 8) -> tuple[Measures, NormalError, float]:
    """Measures, judge and required yield of a random small design: groups, savings, biases, refused sets, times that
    do not add up."""
    random = np.random.default_rng(seed)
    count = int(random.integers(4, most))
    measures = tuple(
        Measure(
            f"measure {k}",
            group=str(random.choice(["", "", "grade", "sorting"])),
            cost=round(float(random.uniform(-0.05, 1.0)), 3),
            once=float(random.choice([0.0, 500.0])),
            changes=(("station.dwell" if k < 2 else f"circuit.part_{k}", "1"),),
        )
        for k in range(count)
    )
    prices = Prices(
        unit=float(random.uniform(0.5, 10.0)), hour=60.0, rework=float(random.choice([0.0, 2.0])),
        recovered=float(random.choice([0.0, 0.4])), volume=5000.0,
    )  # fmt: skip
    own = random.uniform(0.0, 15.0, size=2)
    refused = bool(random.integers(2))

    def times(chosen: Chosen) -> float | None:
        timed = [k for k in chosen if k < 2]
        if refused and len(timed) == 2:
            return None
        return 20.0 + sum(float(own[k]) for k in timed) * (1.0 if len(timed) < 2 else 1.7)

    scales = {
        (k, int(part)): float(random.uniform(0.3, 1.1))
        for k in range(count)
        for part in random.integers(0, 3, 2)
    }
    shifts = {k: float(random.normal(0.0, 0.15)) for k in range(count)}
    judge = NormalError(
        tuple(random.uniform(0.2, 0.5, 3)), scales, times, float(random.normal(0.0, 0.2)), shifts
    )
    return Measures("none", measures, prices), judge, float(random.uniform(0.9, 0.99))


def every_set(measures: Measures) -> list[Chosen]:
    """All sets with at most one measure of each group."""
    parts = [[(), *((place,) for place in group)] for group in measures.groups]
    return [tuple(sorted(sum(choice, ()))) for choice in product(*parts)]


def good_cost(measures: Measures, judge: NormalError, chosen: Chosen) -> float:
    """Cost of a good unit, written out anew: parts, share of what is paid once, station time, rework, scrap."""
    prices, seconds = measures.prices, judge.times(chosen)
    assert seconds is not None
    taken = [measures.measures[place] for place in chosen]
    made = prices.unit + seconds * prices.hour / 3600.0
    made += sum(each.cost + each.once / (prices.volume or 1.0) for each in taken)
    share = judge.share(chosen)
    return (made + prices.rework * (1.0 - share)) / (share + prices.recovered * (1.0 - share))
