"""Benches with little in them: what can be had is given, the rest is listed with what to measure."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import margin
from margin.bench.one_load import share_interval

TURNIP_LEAVES = (
    (3.28, 3.09, 3.03, 3.03), (3.52, 3.48, 3.38, 3.38), (2.88, 2.80, 2.81, 2.76), (3.34, 3.38, 3.23, 3.26),
)  # fmt: skip
"""Snedecor and Cochran, Statistical Methods, 7th edition, table 13.3.1 (from memory): calcium in four leaves, four
determinations of each; mean squares 0.2961 between and 0.0066 within, component between leaves 0.0724."""


def repeatability_table(values=TURNIP_LEAVES) -> pd.DataFrame:
    """Sensors by runs at one load; ln(output) are the published values."""
    rows = [
        {"sensor": f"S{s}", "run": r, "load_N": 20.0, "conductance_S": np.exp(value)}
        for s, runs in enumerate(values)
        for r, value in enumerate(runs)
    ]
    return pd.DataFrame(rows)


@pytest.fixture(scope="module")
def found():
    """The published table as a bench of four sensors at one load."""
    return margin.characterise(repeatability_table())


def test_components_are_the_published_ones(found) -> None:
    """Four sensors by four runs at one load have the variance components of the published one-way analysis."""
    components = found.spreads["unstated", "unstated"].components["ln_sensitivity"]
    table = components.anova.set_index("level")["mean_square"]
    assert table["sensor"] == pytest.approx(0.2961, abs=5e-5)
    assert table["loading"] == pytest.approx(0.0066, abs=5e-5)
    assert components["sensor"].variance == pytest.approx(0.0724, abs=5e-5)
    assert components["loading"].variance == pytest.approx(0.0066, abs=5e-5)


def test_the_interval_within_is_that_of_chi_square(found) -> None:
    """The interval of the scatter within is exact: SS / chi2 with 12 degrees of freedom (e-Handbook 7.2.3.1)."""
    within = found.spreads["unstated", "unstated"].components["ln_sensitivity"]["loading"]
    squares = sum(np.var(leaf) * 4 for leaf in TURNIP_LEAVES)
    assert within.low == pytest.approx(np.sqrt(squares / stats.chi2.ppf(0.975, 12)), rel=1e-9)
    assert within.high == pytest.approx(np.sqrt(squares / stats.chi2.ppf(0.025, 12)), rel=1e-9)


def test_the_share_between_has_its_f_interval(found) -> None:
    """The share of the sensors has the interval of Fisher's intraclass correlation, and the notes give it."""
    groups = np.array(TURNIP_LEAVES)
    between = 4 * groups.mean(axis=1).var(ddof=1)
    within = groups.var(axis=1, ddof=1).mean()
    assert between / within == pytest.approx(stats.f_oneway(*groups).statistic, rel=1e-9)
    theta_low = (between / within / stats.f.ppf(0.975, 3, 12) - 1) / 4  # ratio of the variances
    theta_high = (between / within / stats.f.ppf(0.025, 3, 12) - 1) / 4
    low, high = share_interval(between / within, (3, 12), 4, 0.95)
    assert (low, high) == pytest.approx(
        (theta_low / (1 + theta_low), theta_high / (1 + theta_high)), rel=1e-9
    )
    said = next(note for note in found.findings.notes if "of the variance" in note)
    assert f"{100 * low:.3g} to {100 * high:.3g} %" in said


def test_coverage_of_the_share() -> None:
    """The F interval of the share covers the truth in 90 % of 4000 invented tables, within four standard errors."""
    rng = np.random.default_rng(5)
    tables = rng.standard_normal((4000, 5, 1)) + rng.standard_normal((4000, 5, 4))
    between = 4 * tables.mean(axis=2).var(axis=1, ddof=1)
    within = tables.var(axis=2, ddof=1).mean(axis=1)
    ends = np.array([share_interval(ratio, (4, 15), 4, 0.9) for ratio in between / within])
    covered = np.mean((ends[:, 0] <= 0.5) & (ends[:, 1] >= 0.5))
    assert abs(covered - 0.9) < 4 * np.sqrt(0.9 * 0.1 / 4000)


def test_what_one_load_cannot_give_is_listed(found) -> None:
    """The load curve, drift and other levels are listed as missing, each with what to measure."""
    missing = found.missing.set_index("what")["measure"]
    for what in ("load curve and its spreads", "drift per decade", "spread per lot", "spread per mounting"):
        assert missing[what], what
    assert "sensitivity per sensor" in str(found)


def test_one_load_gives_no_model(found, tmp_path) -> None:
    """A model needs a curve: the refusal says what to measure, and the file is not written."""
    (tmp_path / "bench.csv").write_text(repeatability_table().to_csv(index=False), encoding="utf-8")
    bench = margin.characterise(tmp_path / "bench.csv")
    with pytest.raises(margin.bench.NotMeasurableError, match="two loads"):
        bench.save_model(tmp_path / "pad.toml")
    assert not (tmp_path / "pad.toml").exists()


def test_readings_in_one_placement_are_a_level_of_their_own() -> None:
    """Without runs the repeats of a sensor are readings of one placement, not loadings."""
    frame = repeatability_table().drop(columns="run")
    spreads = margin.characterise(frame).spreads["unstated", "unstated"]
    assert spreads.reading.variance == pytest.approx(0.0066, abs=5e-5)
    assert not spreads.components["ln_sensitivity"]["loading"].measured


@pytest.mark.parametrize("drop", ["sensor", "branch", "run", "zero"])
def test_a_missing_column_or_zero_costs_its_own_figures_only(drop) -> None:
    """Without sensors, directions, runs or a zero reading the other figures are given as before."""
    loads = (0.0, 2.0, 5.0, 10.0, 20.0, 10.0, 5.0, 2.0, 0.0)
    rng = np.random.default_rng(2)
    rows = [
        {"sensor": f"S{s}", "run": run, "branch": "up" if step < 5 else "down", "load_N": load,
         "conductance_S": np.exp(0.01 * rng.standard_normal()) * 4e-5 * (load / 20) ** 0.85 + 1e-8}
        for s in range(2) for run in range(3) for step, load in enumerate(loads)
    ]  # fmt: skip
    frame = pd.DataFrame(rows)
    frame = frame[frame["load_N"] > 0] if drop == "zero" else frame.drop(columns=drop)
    found = margin.characterise(frame)
    pooled = found.merits[found.merits["sensor"] == "pooled"].set_index("name")["value"]
    assert pooled["sensitivity"] == pytest.approx(2e-6, rel=0.1)
    assert np.isfinite(pooled["hysteresis"])
    assert np.isnan(pooled["zero"]) == (drop == "zero")


def test_runs_at_one_load_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four sensors, two mountings of each, three runs of each mounting: so it is said, though no run is a cycle."""
    rows = ["sensor,mounting,run,load_N,conductance_S"]
    rows += [
        f"S{s},{m},{r},20,{2e-5 * (1 + 0.01 * s + 0.003 * m + 0.001 * r):.6e}"
        for s in range(4)
        for m in (1, 2)
        for r in (1, 2, 3)
    ]
    # a path of its own length would break the line anywhere
    monkeypatch.chdir(tmp_path)
    path = Path("bench.csv")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    text = " ".join(str(margin.characterise(path)).split())
    assert "bench.csv: bench (4 sensors x 2 mountings x 3 cycles x 1 reading)" in text
