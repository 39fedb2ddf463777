"""Creep told from means over parts of a hold: each part counts by the readings behind it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from margin.bench import condense_bench, read_bench
from margin.bench.behaviour import creeps


def test_creep_of_a_condensed_hold_is_that_of_its_readings(tmp_path: Path) -> None:
    """A hold read once a second has a hundred times as many readings in its last decade as in its first: with them
    counted, the line through the means is the line through the readings."""
    time = np.arange(1.0, 1001.0)
    noise = 0.02 * np.random.default_rng(3).standard_normal(time.size)
    frame = pd.DataFrame({"sensor": "S1", "run": "hold", "time_s": time, "load_N": 12.0})
    path = tmp_path / "hold.csv"
    frame.assign(voltage_V=2.0 * (1.0 + 0.03 * np.log10(time / 10.0)) + noise).to_csv(path, index=False)
    whole, parts = (read(path).usable().assign(point_N=12.0) for read in (read_bench, condense_bench))
    assert len(parts) < 0.1 * len(whole)
    (expected,), (found,) = (creeps(rows, 10.0)["value"] for rows in (whole, parts))
    assert found == pytest.approx(expected, rel=3e-4)
    unweighted = float(creeps(parts.drop(columns=["readings", "squares"]), 10.0)["value"].iloc[0])
    assert abs(unweighted - expected) > 3.0 * abs(found - expected)
