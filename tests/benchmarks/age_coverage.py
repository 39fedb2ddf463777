"""How often intervals over age hold exact values: `python tests/benchmarks/age_coverage.py`.

Options: [--seeds 200] [--study WORD] [--table FILE]. A linear pad that loses sensitivity per decade of hours, followed
over its age by `margin.age`. The yield at an age is a normal integral, or one quadrature of it; the age at which it
falls below that required is its root. A line for each study and age, then one for its recalibration interval; see the
head of the table for the columns. Not run by pytest; a smaller version is tests/service/test_age_coverage.py.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent)]

from pad_study import NONE, pad_case  # noqa: E402

from margin.case import Case  # noqa: E402
from margin.service.over_age import AgeResult, over_age  # noqa: E402

AGES = (0.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10_000.0)
"""h, at which units are followed."""

LIMIT, TARGET = 0.04, 0.95
"""Permissible error, share of the reading, and the yield required."""

MEAN, SD = 0.01, 0.005
"""Loss per decade of hours of the normal rates, and its standard deviation between units."""

COMMON = 0.002
"""Standard deviation of the mean rate where it is not known."""

MEDIAN, LOG_SD, GAIN = 0.01, 0.5, 0.008
"""Lognormal rates, and the standard deviation of a normal error of sensitivity beside them."""

STEPS = ("60 N for 5 s", "0 N for 1 s", "10 N for 2 s, read", "0 N for 3 s")
RETURN, RECOVERY = 0.01, 10.0
"""Zero return, share, of the study along a history, and its time constant, s."""

HEAD = (
    "| study | age (h) | exact yield (%) | held (%) | exact lower bound (%) | held (%) | shown too high (%) |\n"
    "|---|---|---|---|---|---|---|"
)
HEAD_OF_INTERVALS = (
    "| study | exact interval (h) | held (%) | shown too long (%) | estimate over exact, median (5 % to 95 %) | "
    "shown over exact, median |\n|---|---|---|---|---|---|"
)


def decades(age: float) -> float:
    """log10(1 + age / 1 h)."""
    return float(np.log10(1.0 + age))


def normal_rate(age: float, mean: float = MEAN, sd: float = SD, factor: float = 1.0) -> float:
    """Share of units whose reading factor (1 - d decades) F departs from F by LIMIT at most, d normal."""
    passed = decades(age)
    if passed == 0.0:
        return float(abs(factor - 1.0) <= LIMIT)
    low, high = ((1.0 - (1.0 + end) / factor) / passed for end in (LIMIT, -LIMIT))
    return float(ndtr((high - mean) / sd) - ndtr((low - mean) / sd))


def unsure_mean(age: float) -> float:
    """5 % point over a normal mean rate: the yield falls with it, so that it is that at its 95 % point."""
    return normal_rate(age, MEAN + COMMON * float(ndtri(0.95)))


@cache
def lognormal_rate(age: float) -> float:
    """Quadrature over a normal gain: share of lognormal rates that keep (1 + g)(1 - d decades) within LIMIT of 1."""
    passed = decades(age)
    if passed == 0.0:
        return float(ndtr(LIMIT / GAIN) - ndtr(-LIMIT / GAIN))

    def share(z: float) -> float:
        gain = 1.0 + GAIN * z
        low, high = ((1.0 - (1.0 + end) / gain) / passed for end in (LIMIT, -LIMIT))
        scores = [math.log(max(end, 1e-300) / MEDIAN) / LOG_SD for end in (low, high)]
        return float(ndtr(scores[1]) - ndtr(scores[0])) * math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)

    return float(quad(share, -8.0, 8.0, epsabs=1e-9, limit=200, points=[-LIMIT / GAIN, LIMIT / GAIN])[0])


def along_history(age: float) -> float:
    """The residue of the largest load, by the plain loop over its steps, scales every reading."""
    held, at_reading = 0.0, 0.0
    for load, lasting in ((60.0, 5.0), (0.0, 1.0), (10.0, 2.0)):
        held = load + max(held - load, 0.0) * float(np.exp(-lasting / RECOVERY))
        at_reading = held - load
    return normal_rate(age, factor=1.0 + RETURN * at_reading / 10.0)


@dataclass(frozen=True)
class Study:
    """A case by seed, with the exact yield over age and its exact lower bound."""

    name: str
    units: int
    ageing: Any
    yields: Callable[[float], float]
    bounds: Callable[[float], float] | None = None
    tables: dict[str, Any] = field(default_factory=dict)

    def case(self, seed: int) -> Case:
        """The case."""
        sensor = {
            "sensitivity": "4 uS",
            "exponent": 1.0,
            "ageing": self.ageing,
            **self.tables.get("sensor", {}),
        }
        study = {"seed": seed, "units": self.units, **self.tables.get("study", {})}
        given: dict[str, Any] = {
            "load": {"check": ["20 N"]},
            "requirement": {"permissible_error": f"{100.0 * LIMIT:g} % of reading", "yield": "95 %"},
            "converter": {"bits": 0},
            **self.tables, "sensor": sensor, "study": study,
        }  # fmt: skip
        return pad_case(NONE, **given)

    def bound(self, age: float) -> float:
        """Exact lower bound of the yield: the yield itself where all is known."""
        return (self.bounds or self.yields)(age)

    def interval(self) -> float:
        """Exact age, h, at which the lower bound falls below the yield required."""
        return float(brentq(lambda age: self.bound(age) - TARGET, 1e-3, AGES[-1]))

    def followed(self, seed: int) -> AgeResult:
        """The case over its age."""
        return over_age(self.case(seed), "none", ages=AGES, every=AGES[-1], units=self.units, workers=1)


NORMAL = f"{100.0 * MEAN:g} % +/- {200.0 * SD:g} % (2 sigma)"
STUDIES = (
    Study(
        "normal rate, 2000 units, random", 2000, NORMAL, normal_rate, tables={"study": {"points": "random"}}
    ),
    Study("normal rate, 2000 units, Sobol", 2000, NORMAL, normal_rate),
    Study("normal rate, 20 000 units, Sobol", 20_000, NORMAL, normal_rate),
    Study(
        "normal rate of unsure mean, 200 draws of 100",
        20_000,
        f"{NORMAL} per unit, +/- {200.0 * COMMON:g} % (2 sigma) per common",
        lambda age: float(normal_rate(age, MEAN, float(np.hypot(SD, COMMON)))),
        unsure_mean,
        {"study": {"outer": 200}},
    ),
    Study(
        "lognormal rate beside a normal gain, 2000 units, Sobol",
        2000,
        {
            "value": f"{100.0 * MEDIAN:g} %",
            "spread": [{"level": "unit", "shape": "lognormal", "log_sd": LOG_SD}],
        },
        lognormal_rate,
        tables={"sensor": {"sensitivity": f"4 uS +/- {200.0 * GAIN:g} % (2 sigma)"}},
    ),
    Study(
        "normal rate along a history, 2000 units, Sobol",
        2000,
        NORMAL,
        along_history,
        tables={
            "load": {"range": "2 N to 60 N", "check": None},
            "use": {"temperature": "25 degC", "readings": None, "conditions": 1, "loadings": 1},
            "history": {"steps": list(STEPS), "recovery": f"{RECOVERY:g} s"},
            "sensor": {"zero_return": f"{100.0 * RETURN:g} %"},
        },
    ),
)


def rows(study: Study, seeds: int) -> tuple[list[str], str]:
    """Lines of the table of yields, and that of the table of intervals."""
    exact = study.interval()
    at_ages: dict[float, list[tuple[bool, bool, bool]]] = {age: [] for age in AGES}
    held, long, ratios, shown = [], [], [], []
    for seed in range(seeds):
        found = study.followed(seed)
        for at in found.ages:
            true, bound = study.yields(at.age), study.bound(at.age)
            sampled, lower = at.found.sampled, at.found.bound
            at_ages[at.age].append(
                (sampled.low <= true <= sampled.high, lower.low <= bound <= lower.high, lower.low > bound)
            )
        interval = found.interval
        assert interval.shown is not None and interval.estimated is not None
        latest = np.inf if interval.latest is None else interval.latest
        held.append(interval.shown <= exact <= latest)
        long.append(interval.shown > exact)
        ratios.append(interval.estimated / exact)
        shown.append(interval.shown / exact)
    lines = []
    for age, entries in at_ages.items():
        a, b, c = (100.0 * np.mean(np.array(entries), axis=0)).tolist()
        cells = (
            study.name, f"{age:g}", f"{100.0 * study.yields(age):.2f}", f"{a:.1f}",
            f"{100.0 * study.bound(age):.2f}", f"{b:.1f}", f"{c:.1f}",
        )  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |")
    low, middle, high = np.quantile(ratios, [0.05, 0.5, 0.95])
    cells = (
        study.name, f"{exact:.1f}", f"{100.0 * np.mean(held):.1f}", f"{100.0 * np.mean(long):.1f}",
        f"{middle:.3f} ({low:.3f} to {high:.3f})", f"{np.median(shown):.3f}",
    )  # fmt: skip
    return lines, f"| {' | '.join(cells)} |"


def tables(studies: tuple[Study, ...], seeds: int) -> Iterator[str]:
    """Both tables, line by line."""
    yield HEAD
    intervals = []
    for study in studies:
        lines, interval = rows(study, seeds)
        yield from lines
        intervals.append(interval)
    yield ""
    yield HEAD_OF_INTERVALS
    yield from intervals


def main() -> None:
    """Print the tables, and write them to a file where one is named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--study", default="", help="only studies whose name holds this")
    parser.add_argument("--table", type=Path, help="file to which the tables are written")
    asked = parser.parse_args()
    chosen = tuple(study for study in STUDIES if asked.study in study.name)
    kept = []
    for line in tables(chosen, asked.seeds):
        print(line, flush=True)
        kept.append(line)
    if asked.table is not None:
        asked.table.write_text("\n".join(kept) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
