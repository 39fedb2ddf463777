"""An invented study: every number here is made up by a seeded generator and stands for no real part."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from margin.case.types import (
    Assumption,
    CalibrationSpec,
    Case,
    ElementSpec,
    Quantity,
    Requirement,
    Spread,
    StudySpec,
    UseCondition,
)
from margin.estimates.finding import Finding, Number
from margin.estimates.results import DesignCheck, OptionResult, Recommendation, Results
from margin.estimates.yield_result import Estimate, Verdict, Yield
from margin.report import files, page
from margin.report.blocks import Section

LOADS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
CONDITIONS = ("room", "cold store", "sun")
COUNTS = ("readings", "units by share of readings", "units at every check point")
# name, scale of the error, yields in the order of COUNTS, 5 % point of the knowledge, largest, seconds
OPTIONS = (
    ("none", "none", 3.4, (0.71, 0.42, 0.183), 0.09, 3.6, 0.0),
    ("one-point", "one-point", 1.35, (0.953, 0.894, 0.812), 0.77, 1.42, 9.0),
    ("two-point", "two-point", 0.8, (0.9931, 0.985, 0.9734), 0.957, 0.93, 16.5),
    ("five-point", "multi-point", 0.55, (0.99995, 0.99991, 0.99978), 0.9991, 0.71, 41.0),
)
FACTORS = (
    ("reload repeatability", "sensor", "loading"),
    ("exponent", "sensor", "unit"),
    ("temperature coefficient of sensitivity", "sensor", "unit"),
    ("feedback resistor", "circuit", "unit"),
    ("reference load cell gain", "station", "station"),
    ("load share", "interface", "mounting"),
    ("converter noise", "converter", "reading"),
)


@dataclass(frozen=True)
class Shape:
    """Stands in for a distribution: the report shows only how it describes itself."""

    name: str
    width: float

    def describe(self) -> str:
        return f"{self.name}, half width {self.width}"


def case(name: str = "Picking gripper, pad B (invented)") -> Case:
    """An invented case with one element."""
    resistor = Quantity(
        "resistor",
        10e3,
        "kohm",
        (Spread("unit", Shape("rectangular", 0.01), True, "rectangular, GUM 4.3.7"),),
        cause="circuit tolerances",
    )
    offset = Quantity("offset", 0.0, "mV", (), defaulted=True, cause="circuit tolerances")
    return Case(
        name=name,
        path=Path("/somewhere/else/case.toml"),
        notes="Invented for the tests.",
        data="invented",
        load_low=0.5,
        load_high=20.0,
        check_loads=LOADS,
        requirement=Requirement(reading=0.05, span=0.02),
        elements={
            "circuit": ElementSpec(
                "circuit", "divider", Shape, {"resistor": resistor, "offset": offset}, {"position": "low"}
            )
        },
        conditions=tuple(UseCondition(condition, {}) for condition in CONDITIONS),
        calibrations=tuple(CalibrationSpec(name, kind) for name, kind, *_ in OPTIONS),
        dependences=(),
        study=StudySpec(units=20_000, outer=40, seed=11),
        defaults=("circuit.offset = 0 V: ideal", "converter.noise = 0 V: ideal"),
        readings=("circuit.resistor 10 kohm ± 1 %: rectangular, GUM 4.3.7",),
        assumptions=(Assumption("sensor.sensitivity varies from lot to lot by 5 %: stated, not measured"),),
    )


def errors(scale: float) -> pd.DataFrame:
    """Invented error percentiles, wider at high load and in the cold."""
    rows = []
    for condition, factor in zip(("all", *CONDITIONS), (1.0, 0.8, 1.2, 1.05), strict=True):
        for load in LOADS:
            permissible = max(0.05 * load, 0.02 * 19.5)
            sd = scale * factor * (0.12 + 0.022 * load)
            mean = 0.15 * sd
            row = {"condition": condition, "load_N": load, "permissible_N": permissible}
            quantiles = {
                "mean": mean, "p0_5": mean - 2.6 * sd, "p2_5": mean - 1.96 * sd, "p5": mean - 1.64 * sd,
                "p50": mean, "p95": mean + 1.7 * sd, "p97_5": mean + 2.0 * sd, "p99_5": mean + 2.8 * sd,
                "p95_abs": 1.98 * sd, "sd": sd,
            }  # fmt: skip
            for key, value in quantiles.items():
                row[f"{key}_N"] = value
                row[f"{key}_N_low"] = value - 0.02 * sd
                row[f"{key}_N_high"] = value + 0.025 * sd
            row["p95_abs_reading"] = 100 * row["p95_abs_N"] / load
            row["p95_abs_span"] = 100 * row["p95_abs_N"] / 19.5
            rows.append(row)
    return pd.DataFrame(rows)


def option(
    name: str,
    kind: str,
    scale: float,
    shares: tuple[float, ...],
    known: float,
    largest: float,
    seconds: float,
) -> OptionResult:
    """An invented calibration option."""
    yields = {}
    for counts, value in zip(COUNTS, shares, strict=True):
        half = 2 * np.sqrt(value * (1 - value) / 20_000)
        sampled = Estimate(value, value - half, min(1.0, value + 1.1 * half))
        yields[counts] = Yield(
            sampled, (known, min(1.0, value + 0.004)), (value - 0.01, min(1.0, value + 0.005))
        )
    frame = errors(scale)
    pooled = frame[frame["condition"] == "all"]
    worst = pd.DataFrame(
        {
            "load_N": LOADS,
            "extreme_low_N": 2.4 * pooled["p0_5_N"].to_numpy(),
            "extreme_high_N": 2.4 * pooled["p99_5_N"].to_numpy(),
            "rss_mean_N": pooled["p50_N"].to_numpy(),
            "root_sum_square_N": 1.9 * pooled["sd_N"].to_numpy(),
            "rss_second_mean_N": 1.1 * pooled["p50_N"].to_numpy(),
            "root_sum_square_second_N": 2.0 * pooled["sd_N"].to_numpy(),
            "monte_carlo_low_N": 1.2 * pooled["p0_5_N"].to_numpy(),
            "monte_carlo_high_N": 1.2 * pooled["p99_5_N"].to_numpy(),
            "verdict": ["the three methods agree"] * 5
            + ["root sum square too narrow; with second order it agrees"],
            "extreme_over_draws": 2.0,
            "rss_over_draws": [1.0] * 5 + [0.6],
            "why": ["first-order terms explain the draws"] * 5
            + ["no first-order term: sensor.offset per unit"],
        }
    )
    extremes = pd.DataFrame(
        [
            {
                "load_N": load,
                "end": end,
                "error_N": float(worst[f"extreme_{end}_N"][row]),
                "condition": "warm",
                "factor": factor,
                "event": "both",
                "value": 0.02,
                "unit": "relative",
                "position": end,
                "change_N": -0.1 if end == "high" else 0.1,
            }
            for row, load in enumerate(LOADS)
            for end in ("low", "high")
            for factor, *_ in FACTORS
        ]
    )
    multiples = np.linspace(0.2, 3.0, 15)
    curve = 1.0 / (1.0 + np.exp(-6.0 * (multiples - 1.0) - np.log(shares[2] / (1 - shares[2]))))
    half = 2 * np.sqrt(curve * (1 - curve) / 20_000)
    limits = pd.DataFrame(
        {
            "multiple": multiples,
            "yield": curve,
            "yield_low": curve - half,
            "yield_high": np.minimum(1.0, curve + half),
        }
    )
    saturation = pd.DataFrame(
        {
            "load_N": LOADS,
            "saturated": [0.0, 0.0, 0.0, 0.0, 0.001, 0.023],
            "blind": [0.012, 0.0, 0.0, 0.0, 0.0, 0.0],
            "limit": ["low", "low", "low", "high", "high", "high"],
            "resolution_N": [0.004, 0.006, 0.009, 0.015, 0.024, 0.041],
            "noise_N": [0.002, 0.003, 0.004, 0.007, 0.011, 0.019],
        }
    )
    verdict: Verdict = "conforms" if shares[2] > 0.95 and known > 0.95 else "does not conform"
    return OptionResult(
        CalibrationSpec(name, kind), yields, COUNTS[2], frame, worst, extremes,
        Estimate(largest, largest - 0.012, largest + 0.015), limits, saturation, seconds, verdict, 0.004,
    )  # fmt: skip


def budget() -> pd.DataFrame:
    """Invented changes of yield; two causes tie, the last is below resolution."""
    rows = []
    for name, _, scale, shares, *_ in OPTIONS:
        room = 1.0 - shares[2]
        for number, (factor, part, level) in enumerate(FACTORS):
            for change, share in (("frozen", 0.5), ("halved", 0.3)):
                gain = room * share * 0.55**number if number < 6 else room * 0.0004
                half = 0.02 * room
                rows.append(
                    {
                        "option": name, "by": "factor", "factor": factor, "part": part, "level": level,
                        "change": change,
                        "yield": shares[2] + gain, "yield_change": gain, "yield_change_low": gain - half,
                        "yield_change_high": gain + half, "error_N": scale * 0.3, "units": 2000,
                        "error_change_N": -0.08 * scale * 0.55**number,
                        "error_change_N_low": -0.085 * scale * 0.55**number,
                        "error_change_N_high": -0.075 * scale * 0.55**number,
                        "rank": (1, 2, 3, 4, 4, 6, 7)[number],
                        "verdict": "resolved" if number < 6 else "below resolution",
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)


def invented_results(name: str = "Picking gripper, pad B (invented)", seed: int = 11) -> Results:
    """The invented study as the report receives it."""
    generator = np.random.Generator(np.random.Philox(seed))
    samples = [
        {
            "option": option_name,
            "unit": unit,
            "load_N": load,
            "error_N": float(deviation) * scale * (0.12 + 0.022 * load),
        }
        for option_name, _, scale, *_ in OPTIONS
        for unit, deviation in enumerate(generator.normal(size=12))
        for load in LOADS
    ]
    return Results(
        case=case(name),
        options=tuple(option(*row) for row in OPTIONS),
        recommendation=Recommendation(
            "two-point",
            Finding(
                "lowest cost",
                "two-point",
                {
                    "bound": Number(0.957, 0.953, 0.961, "share"),
                    "target": Number(0.95, unit="share"),
                    "seconds": Number(16.5, unit="s"),
                    "readings": 72,
                },
            ),
        ),
        budget=budget(),
        checks=(
            DesignCheck(
                "amplifier headroom", 4.73, 4.8, "V", 0.015, "kept", "upper 0.1 % of units at 20 N, sun"
            ),
            DesignCheck("sensor current", 0.00031, 0.001, "A", 0.69, "kept", ""),
            DesignCheck("counts at the smallest load", 14.0, 8.0, "", 0.75, "kept", "at 0.5 N"),
            DesignCheck("bandwidth", 812.0, None, "Hz", None, "for information", ""),
        ),
        samples=pd.DataFrame(samples),
        units=20_000,
        outer=40,
        seed=seed,
        version="0.1.0",
        cautions=("Halving the readings a unit moves the yield at every check point by 0.4 points.",),
    )


@pytest.fixture(scope="session")
def results() -> Results:
    """The invented study."""
    return invented_results()


@pytest.fixture(scope="session")
def parts(results: Results) -> tuple[Section, ...]:
    """The sections of its page."""
    return page.report_sections(results)


@pytest.fixture(scope="session")
def html(results: Results, parts: tuple[Section, ...]) -> str:
    """Its page."""
    return page.render_sections(results, parts)


@pytest.fixture(scope="session")
def report(results: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A written report, to look at and not to change."""
    folder = tmp_path_factory.mktemp("report") / "new" / "report"
    written = files.write_report(results, folder)
    assert written == folder / "report.html"
    return folder


@pytest.fixture
def failing(results: Results) -> Results:
    """The invented study with no option that conforms and much to say, to fill the screen."""
    options = tuple(replace(found, verdict="does not conform") for found in results.options)
    named = [replace(found, spec=replace(found.spec, name=f"{found.name} again")) for found in options[:3]]
    long = (
        "a sentence that goes on for rather longer than one line of a terminal has room for, on and on; " * 4
    )
    return replace(
        results,
        options=(*options, *named),
        recommendation=Recommendation(
            None, Finding("caution", values={"text": long}), (Finding("caution", values={"text": long}),) * 2
        ),
        checks=tuple(replace(check, verdict="exceeded", note=long) for check in results.checks),
        case=replace(results.case, assumptions=(Assumption(long),) * 5),
        cautions=(long,) * 4,
    )
