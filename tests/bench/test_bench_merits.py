"""Figures of merit on data whose figures are known exactly."""

import numpy as np
import pandas as pd
import pytest

from margin.bench import figures_of_merit, read_bench
from margin.bench.merits import (
    Sweeps,
    drift_line,
    hysteresis,
    linearity,
    mean_interval,
    repeatability,
    sd_interval,
)
from margin.bench.merits.static import linearities, reproducibility, sensitivity, zero_return

LOADS = np.array([0.0, 5.0, 10.0, 15.0, 20.0])


def cycles(gains, zeros=None, loop=0.0, heat=None, mounting=None, sensor="A", back=0.0) -> pd.DataFrame:
    """Cycles with exact gain, zero, loop width (of full scale) and zero return."""
    rows = []
    for number, gain in enumerate(gains):
        zero = 0.0 if zeros is None else zeros[number]
        share = LOADS / LOADS[-1]
        up = zero + gain * LOADS
        down = up + gain * LOADS[-1] * (loop * 4 * share * (1 - share) + back * (share == 0))
        for branch, order, values in (("up", slice(None), up), ("down", slice(-2, None, -1), down)):
            for load, value in zip(LOADS[order], values[order], strict=True):
                rows.append(
                    {
                        "sensor": sensor,
                        "mounting": 1 if mounting is None else mounting[number],
                        "run": number + 1,
                        "branch": branch,
                        "load_N": load,
                        "temperature_degC": 25.0 if heat is None else heat[number],
                        "voltage_V": value,
                    }
                )
    return pd.DataFrame(rows)


def merits(frame: pd.DataFrame, sensor: str = "1 / A", **options) -> dict:
    """Figures of one sensor by name."""
    return {m.name: m for m in figures_of_merit(read_bench(frame), **options) if m.sensor == sensor}


def test_zero_sensitivity_and_loop_of_exact_data() -> None:
    """An exact straight line with an exact loop gives its own figures back."""
    found = merits(cycles([0.1, 0.1, 0.1], zeros=[0.02] * 3, loop=0.04, back=0.01))
    assert found["zero"].value == pytest.approx(0.02)
    assert found["sensitivity"].value == pytest.approx(0.1)
    assert found["sensitivity"].unit == "V/N"
    assert found["hysteresis"].value == pytest.approx(4.0)
    assert found["zero return"].value == pytest.approx(1.0)
    assert found["repeatability, standard deviation"].value == pytest.approx(0.0, abs=1e-12)
    for name, merit in found.items():
        if name.startswith("linearity"):
            assert merit.value == pytest.approx(0.0, abs=1e-9)


def test_repeatability_in_both_forms() -> None:
    """Three gains 1 % apart: range 2 % and standard deviation by hand, of the mean full-scale output."""
    found = merits(cycles([0.099, 0.1, 0.101]))
    assert found["repeatability, range"].value == pytest.approx(2.0)
    expected = np.sqrt(0.001**2 * (2 * (25 + 100 + 225) + 400) / 9) / 2.0 * 100
    assert found["repeatability, standard deviation"].value == pytest.approx(expected)
    assert found["repeatability, range"].low is None
    assert "grows with the number of cycles" in found["repeatability, range"].note


def test_reproducibility_takes_the_scatter_within_off() -> None:
    """Between mountings: variance of the mounting means less a third of that within, by hand."""
    gains = np.array([0.99, 1.00, 1.01, 1.02, 1.03, 1.04, 0.96, 0.97, 0.98])
    found = merits(cycles(0.1 * gains, mounting=np.repeat([1, 2, 3], 3)))["reproducibility after remounting"]
    between, within = np.var([1.00, 1.03, 0.97], ddof=1), 0.01**2
    assert found.value == pytest.approx(100 * np.sqrt(between - within / 3))
    assert found.low is not None and found.high is not None
    assert found.low < found.value < found.high


def test_temperature_coefficients_of_exact_data() -> None:
    """Gain and zero linear in temperature give their coefficients, of span and of full-scale output."""
    heat = np.array([15.0, 25.0, 25.0, 25.0, 35.0])
    gains = 0.1 * (1 - 0.002 * (heat - 25))
    found = merits(cycles(gains, zeros=0.001 * (heat - 25), heat=heat))
    assert found["temperature coefficient of span"].value == pytest.approx(-0.2)
    assert found["temperature coefficient of zero"].value == pytest.approx(100 * 0.001 / 2.0)
    assert found["sensitivity"].value == pytest.approx(0.1)


@pytest.mark.parametrize("t0", [1.0, 10.0])
def test_drift_per_decade_of_exact_data(t0) -> None:
    """y(t) = y(t0) (1 + c log10(t / t0)) gives c and y(t0) back, and c depends on t0 as it must."""
    time = np.array([1.0, 3.0, 10.0, 30.0, 100.0, 1000.0])
    start, share = drift_line(time, 2.0 * (1 + 0.03 * np.log10(time)), t0)
    assert start == pytest.approx(2.0 * (1 + 0.03 * np.log10(t0)))
    assert share == pytest.approx(0.03 / (1 + 0.03 * np.log10(t0)))


def test_hold_is_found_and_kept_out_of_the_cycles() -> None:
    """A hold gives the drift with its t0 stated, and leaves the sensitivity alone."""
    time = np.array([1.0, 3.0, 10.0, 30.0, 100.0, 1000.0])
    hold = pd.DataFrame(
        {
            "sensor": "A",
            "mounting": 1,
            "run": "hold",
            "branch": "up",
            "load_N": 15.0,
            "temperature_degC": 25.0,
            "time_s": time,
            "voltage_V": 1.5 * (1 + 0.02 * np.log10(time)),
        }
    )
    found = merits(pd.concat([cycles([0.1, 0.1]), hold]), t0=1.0)
    assert found["drift per decade"].value == pytest.approx(2.0)
    assert "t0 = 1 s" in found["drift per decade"].definition
    assert found["sensitivity"].value == pytest.approx(0.1)


def test_a_cycle_with_a_dwell_is_not_averaged_over_it() -> None:
    """Of a long stay within a cycle only the first reading counts for the characteristic."""
    time = np.array([2.0, 4.0, 5.0, 7.0, 14.0, 34.0, 104.0, 106.0])
    load = np.array([0.0, 10.0, 20.0, 20.0, 20.0, 20.0, 20.0, 0.0])
    volt = np.array([0.0, 1.0, 2.0, 2.2, 2.4, 2.6, 2.8, 0.0])
    frame = pd.DataFrame({"sensor": "A", "run": 1, "time_s": time, "load_N": load, "voltage_V": volt})
    found = merits(frame)
    assert found["sensitivity"].value == pytest.approx(0.1)
    assert found["drift per decade"].value is not None and found["drift per decade"].value > 10


def test_resolution_of_a_code() -> None:
    """One count over the flattest local slope."""
    frame = pd.DataFrame(
        {"sensor": "A", "run": 1, "branch": "up", "load_N": LOADS, "code": [0, 90, 170, 230, 280]}
    )
    assert merits(frame)["resolution"].value == pytest.approx(5 / 50)


def test_what_cannot_be_had_says_what_to_measure() -> None:
    """One ascending pass without zero load, time or heat: each figure it lacks names the next measurement."""
    frame = pd.DataFrame(
        {"sensor": "A", "run": 1, "branch": "up", "load_N": [5.0, 10.0], "voltage_V": [1.0, 2.0]}
    )
    found = merits(frame)
    words = {
        "zero": "read the unloaded output",
        "hysteresis": "not available without unloading data",
        "repeatability, range": "repeat the cycle",
        "reproducibility after remounting": "mount it again",
        "zero return": "read it at both ends",
        "drift per decade": "keep one load for 1000 s",
        "temperature coefficient of span": "repeat the cycles",
        "linearity, terminal-based": "at least three",
        "resolution": "take ten in a row",
    }
    for name, text in words.items():
        assert found[name].value is None and not found[name].measured
        assert text in found[name].note


def test_pooled_mean_over_sensors() -> None:
    """Pooled figures are means over sensors with a Student t interval, by hand."""
    frame = pd.concat([cycles([g] * 2, sensor=s) for s, g in zip("ABC", (0.09, 0.1, 0.11), strict=True)])
    pooled = merits(frame, sensor="pooled")["sensitivity"]
    half = 4.302652729749464 * 0.01 / np.sqrt(3)
    assert (pooled.value, pooled.low, pooled.high) == pytest.approx((0.1, 0.1 - half, 0.1 + half))
    assert pooled.count == 3


def test_interval_of_a_standard_deviation() -> None:
    """Multipliers of a standard deviation for n = 5, 10, 30 at 95 % (chi-square, exact)."""
    for count, low, high in ((5, 0.599, 2.874), (10, 0.688, 1.826), (30, 0.796, 1.344)):
        assert sd_interval(1.0, count - 1, 0.95) == pytest.approx((low, high), abs=5e-4)


def test_one_value_has_no_interval() -> None:
    """The mean of one value comes without an interval."""
    assert mean_interval(np.array([3.0]), 0.95) == (3.0, None, None)


def test_an_interval_says_when_it_holds_for_one_mounting_only() -> None:
    """Cycles of one mounting know nothing of remounting: their figures say so, those of three do not."""
    one = merits(cycles([0.099, 0.1, 0.101], loop=0.04))
    three = merits(cycles([0.099, 0.1, 0.101], loop=0.04, mounting=[1, 2, 3]))
    for name in ("sensitivity", "zero", "hysteresis", "linearity, terminal-based"):
        assert "valid for this mounting only" in one[name].note
        assert three[name].note == ""


def test_intervals_of_one_sensor_cover_the_truth() -> None:
    """Of 200 invented sensors, 90 to 99 % of the 95 % intervals of each figure hold the true value."""
    rng = np.random.default_rng(31)
    loads = np.array([0.0, 1.0, 2.0, 4.0, 8.0, 12.0, 16.0, 20.0])
    share = loads / 20
    curve, loop, noise = share**0.85, 1 + 0.04 * 4 * share * (1 - share), 0.002
    lever = np.append(curve, (curve * loop)[:-1]) ** 2
    truth = {
        "sensitivity": float(np.polyfit(loads, curve, 1)[0]),
        "hysteresis": 100 * float((curve * (loop - 1)).max()),
        "linearity, independent minimax": 100 * linearity(loads, curve, "independent minimax"),
        "linearity, terminal-based": 100 * linearity(loads, curve, "terminal-based"),
        "repeatability, standard deviation": 100 * float(np.sqrt(np.mean(0.015**2 * lever + noise**2))),
        "reproducibility after remounting": 2.0,
        "zero return": 0.0,
    }
    hits = dict.fromkeys(truth, 0)
    mounting = np.repeat(np.arange(3), 5)
    for _ in range(200):
        gain = (1 + 0.02 * rng.standard_normal(3))[mounting] * (1 + 0.015 * rng.standard_normal(15))
        up = gain[:, None] * curve + noise * rng.standard_normal((15, 8))
        down = gain[:, None] * curve * loop + noise * rng.standard_normal((15, 8))
        down[:, -1] = np.nan
        sweeps = Sweeps(loads, up, down, mounting, np.full(15, 25.0))
        found = [sensitivity(sweeps, "V", 0.95), hysteresis(sweeps, 0.95), zero_return(sweeps, 0.95)]
        found += [reproducibility(sweeps, 0.95), *repeatability(sweeps, 0.95), *linearities(sweeps, 0.95)]
        for merit in found:
            if merit.name in truth:
                hits[merit.name] += merit.low <= truth[merit.name] <= merit.high
    assert all(0.90 <= count / 200 <= 0.99 for count in hits.values()), hits
