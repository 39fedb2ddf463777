"""Laws that the force error must obey, in cases small enough to have a closed form."""

from __future__ import annotations

import numpy as np
import pytest
from pad_study import (
    NONE,
    ONE_POINT,
    TWO_POINT,
    errors_of,
    factor_of,
    loads_of,
    only,
    pad_case,
    source_of,
    use_draws,
)
from scipy import stats

from margin.backends.run import run
from margin.estimates.evaluate import evaluate
from margin.propagation.readings import use_event
from margin.propagation.variants import Variant

BITS = 12
COUNT = 60.0 / 0.72 / 2**BITS
"""N that one count stands for in the pad without tolerances."""

EVERY_KIND = (
    NONE,
    {"kind": "tare"},
    ONE_POINT,
    TWO_POINT,
    {"kind": "multi-point", "name": "parabola"},
    {"kind": "multi-point", "name": "pieces", "fit": "piecewise"},
    {"kind": "lot-curve", "degree": 1},
    {"kind": "classes"},
)
BENT = {
    "kind": "thin film",
    "sensitivity": "4 uS",
    "reference_load": "20 N",
    "exponent": 0.8,
    "offset_conductance": "0.1 uS",
    "series_resistance": "500 ohm",
    "turn_on": "0.3 N",
}


@pytest.mark.parametrize("sensor", [{}, BENT], ids=["straight", "bent"])
def test_without_tolerances_nothing_is_left(sensor: dict) -> None:
    """Without any tolerance and without rounding every calibration reports the true load (closed form)."""
    for error in errors_of(pad_case(*EVERY_KIND, sensor=sensor), 20).values():
        assert np.abs(error).max() < 1e-9


def test_without_tolerances_the_error_is_the_quantisation() -> None:
    """Without any tolerance the error is half a count at most, once in use and once more for what it did to
    the calibrated points (closed form)."""
    case = pad_case(
        NONE, {"kind": "tare"}, ONE_POINT, TWO_POINT, load={"check": 101}, converter={"bits": BITS}
    )
    errors, load = errors_of(case, 1), loads_of(case)
    half = 0.5 * COUNT * (1 + 1e-9)
    lever = np.abs((54 - load) / 48) + np.abs((load - 6) / 48)
    assert np.all(np.abs(errors["none"]) <= half)
    assert np.all(np.abs(errors["tare"]) <= half)
    assert np.abs(errors["none"]).max() > 0.45 * COUNT
    assert np.all(np.abs(errors["one-point"]) <= half * (1 + load / 30) * 1.001)
    assert np.all(np.abs(errors["two-point"]) <= half * (1 + lever) * 1.001)


def test_loads_are_read_as_a_staircase() -> None:
    """What a unit reports under a rising load climbs in steps of whole counts (closed form)."""
    case = pad_case(NONE, load={"range": "20 N to 21 N", "check": 200}, converter={"bits": BITS})
    counts = (only(case, 1) + loads_of(case)).ravel() / COUNT
    assert counts == pytest.approx(np.round(counts), abs=1e-6)
    steps = np.diff(np.round(counts))
    assert set(steps) == {0.0, 1.0}
    assert steps.sum() == pytest.approx(1 / COUNT, abs=1)


@pytest.mark.parametrize(
    "sensor", [{}, {**BENT, "offset_conductance": None, "series_resistance": None, "turn_on": None}]
)
def test_one_load_removes_a_pure_gain(sensor: dict) -> None:
    """A spread of gain alone leaves no error after a one-point calibration, whatever the exponent: yield
    100 % (closed form)."""
    case = pad_case(
        NONE,
        ONE_POINT,
        sensor={k: v for k, v in {**sensor, "sensitivity": "4 uS +/- 20 % (2 sigma)"}.items() if v},
    )
    errors = errors_of(case)
    assert np.abs(errors["one-point"]).max() < 1e-9
    assert np.abs(errors["none"]).max() > 5.0
    result = evaluate(case, workers=1, with_budget=False)
    assert result.option("one-point").decisive_yield.sampled.value == 1.0
    assert result.option("none").decisive_yield.sampled.value < 0.6


PARTS = {"reference": "1.2 V +/- 2 %", "feedback": "60 kohm +/- 5 %"}
ABSOLUTE = {"bits": 24, "reference": "absolute", "full_scale": "1.4 V"}
CALIBRATED = (ONE_POINT, {**ONE_POINT, "name": "tared", "tare": True}, TWO_POINT)


def test_span_calibration_hides_resistor_and_reference() -> None:
    """Tolerances of feedback resistor and reference leave no error after a span calibration at the
    temperature of use (closed form)."""
    case = pad_case(NONE, *CALIBRATED, circuit=PARTS, converter=ABSOLUTE)
    errors = errors_of(case)
    assert np.abs(errors.pop("none")).max() > 3.0
    for error in errors.values():
        assert np.abs(error).max() < 1e-4


def test_span_calibration_does_not_hide_temperature() -> None:
    """They come back through their temperature coefficients: the relative error is (TCR + TC of the reference
    + that of the sensor) times the warming since calibration, to first order (closed form)."""
    case = pad_case(
        *CALIBRATED,
        sensor={"temperature_coefficient": "300 ppm/K"},
        circuit={**PARTS, "feedback_tempco": "100 ppm/K", "reference_tempco": "50 ppm/K"},
        converter=ABSOLUTE,
        use={"temperature": "45 degC"},
    )
    exact = (1 + 20 * 300e-6) * (1 + 20 * 100e-6) * (1 + 20 * 50e-6) - 1
    assert exact == pytest.approx(20 * 450e-6, rel=0.01)
    for error in errors_of(case).values():
        assert np.abs(error / loads_of(case) - exact).max() < 1e-5


@pytest.mark.parametrize("percent", [0.5, 2, 5])
def test_ratiometric_converter_does_not_see_the_reference(percent: float) -> None:
    """With a ratiometric converter the tolerance of the reference changes nothing; with one of its own
    reference it enters one to one (common practice, no source)."""
    case = pad_case(NONE, circuit={"reference": f"1.2 V +/- {percent} %"})
    assert np.abs(only(case)).max() < 1e-9
    absolute = pad_case(NONE, circuit={"reference": f"1.2 V +/- {percent} %"}, converter=ABSOLUTE)
    drawn = use_draws(absolute, "circuit.reference")
    assert np.abs(drawn).max() == pytest.approx(percent / 100, rel=0.01)
    assert np.abs(only(absolute) / loads_of(absolute) - drawn).max() < 1e-5


def test_normal_linear_case_adds_in_squares() -> None:
    """Where the error is linear in normal inputs its standard deviation is the root sum square (GUM
    5.1.2)."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 1 % (1 sigma)"},
        circuit={"feedback": "60 kohm +/- 0.5 % (1 sigma)", "offset": "0 V +/- 1 mV (1 sigma)"},
        study={"units": 4096, "points": "sobol"},
    )
    load = loads_of(case)
    offset = 1e-3 * (1 + load / 60 * 0.72) / (1.2 * 0.72 / 60)
    expected = np.sqrt((0.01 * load) ** 2 + (0.005 * load) ** 2 + offset**2)
    assert only(case).std(axis=0).ravel() == pytest.approx(expected, rel=0.01)
    frame = evaluate(case, workers=1, with_budget=False).options[0].worst_case
    assert frame["root_sum_square_N"].to_numpy() == pytest.approx(3 * expected, rel=1e-3)
    assert frame["monte_carlo_high_N"].to_numpy() == pytest.approx(3 * expected, rel=0.1)
    assert set(frame["verdict"]) == {"the three methods agree"}


@pytest.mark.parametrize(
    ("tolerances", "half"),
    [
        ("+/- 100 (1 sigma), +/- 100 (1 sigma), +/- 100 (1 sigma), +/- 100 (1 sigma)", 3.919928),
        ("+/- 173.2051, +/- 173.2051, +/- 173.2051, +/- 173.2051", 3.879407),
        ("+/- 173.2051, +/- 173.2051, +/- 173.2051, +/- 1732.051", 17.0152),
    ],
    ids=["9.2.2", "9.2.3", "9.2.4"],
)
def test_sums_of_four(tolerances: str, half: float) -> None:
    """Four normal, four equal and four unequal rectangular contributions to one sum have the 95 % coverage
    intervals of JCGM 101, 9.2.2, 9.2.3 and 9.2.4, in units of the standard deviation of one."""
    case = pad_case(
        NONE,
        load={"check": 2},
        converter={"bits": 24, "offset": f"0 {tolerances}"},
        study={"units": 4096, "points": "sobol"},
    )
    unit = 100 * 60 / 0.72 / 2**24
    error = only(case)[:, 0, 0, 0, -1] / unit
    low, high = np.quantile(error, [0.025, 0.975])
    assert 0.5 * (high - low) == pytest.approx(half, rel=0.02)


def test_averaging_cuts_noise_by_the_root() -> None:
    """Averaging 16 conversions cuts the noise of a reading to a quarter (closed form)."""
    noisy = {"bits": 24, "noise": 20000}
    one = only(pad_case(NONE, converter=noisy)).std()
    sixteen = only(pad_case(NONE, converter={**noisy, "averaging": 16})).std()
    assert sixteen == pytest.approx(one / 4, rel=1e-3)


def test_averaging_does_not_cut_what_is_no_noise() -> None:
    """Averaging leaves reload scatter, hysteresis and integral nonlinearity as they are, to the bit."""
    sensor = {"reload_scatter": "2 %", "hysteresis": "3 %"}
    use = {"direction": "either"}
    converter = {"bits": 16, "integral_nonlinearity": 40}
    once = only(pad_case(ONE_POINT, sensor=sensor, use=use, converter=converter))
    often = only(pad_case(ONE_POINT, sensor=sensor, use=use, converter={**converter, "averaging": 64}))
    assert np.array_equal(once, often)
    assert once.std() > 0.3


def test_samples_of_a_calibration_average_its_noise_only() -> None:
    """Many samples of one placement average the noise of a calibration, not the scatter of the placement."""
    converter = {"bits": 24, "noise": 40000}
    loads = ["30 N"]
    few = {"kind": "one-point", "loads": loads, "name": "few"}
    many = {**few, "name": "many", "samples": 100}
    again = {**few, "name": "again", "reloads": 100}

    def gain_spread(**tables: dict) -> dict[str, float]:
        case = pad_case(few, many, again, use={"readings": 100}, load={"check": 2}, **tables)
        return {k: float((e[..., -1].mean(axis=(1, 2, 3)) / 60).std()) for k, e in errors_of(case).items()}

    noise = gain_spread(converter=converter)
    in_use = 40000 / 2**24 / 0.72 / 10
    assert noise["few"] == pytest.approx(np.hypot(40000 / 2**24 / 0.36, in_use), rel=0.08)
    assert noise["many"] == pytest.approx(np.hypot(40000 / 2**24 / 3.6, in_use), rel=0.08)
    scatter = gain_spread(sensor={"reload_scatter": "2 %"})
    assert scatter["few"] == pytest.approx(0.02 * np.sqrt(2), rel=0.08)
    assert scatter["many"] == pytest.approx(scatter["few"], rel=1e-9)
    assert scatter["again"] == pytest.approx(0.02 * np.sqrt(1.01), rel=0.08)


def test_twice_the_decades_of_dwell_double_the_creep_error() -> None:
    """Logarithmic creep: the error after two decades of dwell is twice that after one (closed form)."""
    found = []
    for dwell in ("10 s", "100 s"):
        case = pad_case(ONE_POINT, sensor={"creep": "1.5 %"}, use={"dwell": dwell}, station={"dwell": "1 s"})
        found.append((only(case, 5) / loads_of(case)).ravel())
    assert found[0] == pytest.approx(0.015)
    assert found[1] == pytest.approx(0.03)


def test_error_of_the_reference_load_cell_shifts_every_unit() -> None:
    """A reference load cell that shows 1 % too much makes every unit report 1 % too much, with the spread
    unchanged (common practice, no source)."""
    sensor = {"sensitivity": "4 uS +/- 10 %", "reload_scatter": "1 %"}
    true = pad_case(ONE_POINT, TWO_POINT, sensor=sensor)
    wrong = pad_case(ONE_POINT, TWO_POINT, sensor=sensor, station={"reference_gain": "1 %"})
    load, before, after = loads_of(true), errors_of(true), errors_of(wrong)
    for name, error in after.items():
        # a line with an intercept, which scatter gives it, is moved along the load as well
        close = 1e-9 if name == "one-point" else 3e-3
        assert error + load == pytest.approx(1.01 * (before[name] + load), rel=close)
        shift = (error.mean() - before[name].mean()) / load.mean()
        assert shift == pytest.approx(0.01, rel=0.01)
        assert error.std(axis=0) == pytest.approx(before[name].std(axis=0), rel=0.015)


def test_one_reference_for_all_units_of_a_station() -> None:
    """The gain error of a station's reference is one number for all units that it calibrates, and differs
    between outer draws."""
    case = pad_case(
        ONE_POINT, station={"reference_gain": "+/- 1 % (1 sigma)"}, study={"units": 1040, "outer": 20}
    )
    gain = only(case)[:, 0, 0, 0, -1].reshape(20, 52) / 60
    assert np.ptp(gain, axis=1).max() < 1e-12
    assert gain[:, 0].std() == pytest.approx(0.01, rel=0.5)


def test_another_circuit_meets_the_same_sensors() -> None:
    """Two circuits are compared on the same sensors: their draws are equal to the bit, so that the difference
    of the errors varies less than the errors themselves."""
    sensor = {"sensitivity": "4 uS +/- 10 % (2 sigma)", "reload_scatter": "1 %"}
    amplifier = pad_case(NONE, sensor=sensor, circuit={"feedback": "60 kohm +/- 1 %"})
    divider = pad_case(
        NONE,
        sensor=sensor,
        circuit={"kind": "voltage divider", "reference": "3 V", "resistor": "100 kohm +/- 1 %"},
    )
    for name in ("sensor.sensitivity", "sensor.reload_scatter"):
        assert np.array_equal(use_draws(amplifier, name), use_draws(divider, name))
    first, second = only(amplifier)[..., 3], only(divider)[..., 3]
    assert (first - second).std() < 0.3 * min(first.std(), second.std())


@pytest.mark.parametrize("points", ["random", "latin", "sobol"])
def test_freezing_a_factor_moves_no_other(points: str) -> None:
    """A factor that is frozen or halved leaves the draws of every other factor as they were."""
    case = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 10 % per unit, +/- 5 % per lot", "reload_scatter": "1 %"},
        circuit={"feedback": "60 kohm +/- 1 %", "offset": "0 V +/- 1 mV"},
        study={"units": 200, "points": points},
    )
    model, source, _ = source_of(case)
    event = use_event(case, None)
    for frozen in model.factors:
        other = model.source(source.grouping, 0, 200).varied(Variant({frozen.name: 0.0}))
        for factor in model.factors:
            if factor is not frozen:
                assert np.array_equal(other.deviation(factor, event), source.deviation(factor, event))
            elif not factor.standardised:
                assert np.all(other.deviation(factor, event) == 0.0)
        halved = source.varied(Variant({frozen.name: 0.5}))
        if not frozen.standardised:
            half = 0.5 * np.asarray(source.deviation(frozen, event))
            assert np.array_equal(halved.deviation(frozen, event), half)


def test_too_much_gain_fails_high_loads_only() -> None:
    """A gain at which the output saturates costs nothing at low load and the yield at high load (common
    practice, no source)."""
    sensor = {"sensitivity": "4 uS +/- 4 % (2 sigma)"}
    fit = evaluate(pad_case(ONE_POINT, sensor=sensor), workers=1, with_budget=False).options[0]
    much = evaluate(
        pad_case(ONE_POINT, sensor=sensor, circuit={"feedback": "95 kohm"}), workers=1, with_budget=False
    ).options[0]
    assert fit.decisive_yield.sampled.value == 1.0
    assert much.decisive_yield.sampled.value < 0.05
    assert much.saturation["saturated"].iloc[:5].sum() == 0.0
    assert much.saturation["saturated"].iloc[-1] > 0.95
    kept = much.errors["p95_abs_N"] <= much.errors["permissible_N"]
    assert kept.iloc[:5].all() and not kept.iloc[-1]
    assert fit.saturation["saturated"].sum() == 0.0


@pytest.mark.parametrize("reloads", [1, 4])
def test_gain_error_after_one_point(reloads: int) -> None:
    """Variance of the gain error after a one-point calibration: s^2 / m of its m placements, s^2 of the
    one in use, and that of the reference load cell (closed form, first order)."""
    case = pad_case(
        {**ONE_POINT, "reloads": reloads},
        sensor={"sensitivity": "4 uS +/- 20 %", "reload_scatter": "2 %"},
        station={"reference_gain": "+/- 1 % (1 sigma)"},
        load={"check": 2},
        study={"units": 4000, "outer": 2000},
    )
    gain = only(case)[:, 0, 0, 0, -1] / 60
    assert gain.var() == pytest.approx(0.02**2 / reloads + 0.02**2 + 0.01**2, rel=0.08)


def test_one_point_can_be_worse_than_none() -> None:
    """With units alike and placements that scatter, one placement puts its own scatter into the unit: a
    one-point calibration yields less than none; many placements mend that (common practice, no source)."""
    case = pad_case(
        NONE,
        ONE_POINT,
        {**ONE_POINT, "name": "25 placements", "reloads": 25},
        sensor={"sensitivity": "4 uS +/- 1 % (2 sigma)", "reload_scatter": "2.5 %"},
    )
    result = evaluate(case, workers=1, with_budget=False)
    found = {o.name: o.decisive_yield.sampled for o in result.options}
    assert found["one-point"].high < found["none"].low
    assert found["25 placements"].low > found["one-point"].high


def test_spread_from_five_units_predicts_as_student() -> None:
    """Mean and spread known from 5 units: averaged over what they may be, one further unit follows
    Student's t with 4 degrees of freedom, scale s sqrt(1 + 1/5) (textbook result for a normal sample)."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 4 % (2 sigma, from 5 units)"},
        load={"check": 2},
        study={"units": 40_000, "outer": 40_000},
    )
    predictive = stats.t(4, scale=0.02 * np.sqrt(1.2))
    drawn = use_draws(case, "sensor.sensitivity").ravel()
    assert stats.kstest(drawn, predictive.cdf).pvalue > 0.01
    result = run(
        pad_case(
            NONE,
            sensor={"sensitivity": "4 uS +/- 4 % (2 sigma, from 5 units)"},
            load={"check": 2},
            study={"units": 20_000, "outer": 20_000},
        ),
        workers=1,
    )
    share = result.tallies["none"].within[:, 2].mean()
    expected = predictive.cdf(0.06) - predictive.cdf(-0.06)
    assert share == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / 20_000))
    assert expected < stats.norm(scale=0.02).cdf(0.06) - stats.norm(scale=0.02).cdf(-0.06) - 0.04


def test_known_spread_is_normal() -> None:
    """The same spread stated without a number of units stays normal."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 4 % (2 sigma)"}, study={"units": 20_000})
    drawn = use_draws(case, "sensor.sensitivity").ravel()
    assert factor_of(case, "sensor.sensitivity").measured_on is None
    assert stats.kstest(drawn, stats.norm(scale=0.02).cdf).pvalue > 0.01
