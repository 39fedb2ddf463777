"""Fits of sensor models: recovery, weights, uncertainty of the reference, choice among candidates."""

import numpy as np
import pytest

from margin.bench import NotMeasurableError, ReferenceLoad, fit_curve, fit_sensor
from margin.bench.fits import aicc, fit_polynomial, lack_of_fit
from margin.chain.elements import Contact
from margin.chain.setting import Setting

LOADS = np.array([1.0, 2.0, 4.0, 8.0, 12.0, 16.0, 20.0])


def pad(loads, offset=0.0, turn_on=0.0, series=0.0):
    """Conductance, S, of a pad of 40 uS at 20 N and exponent 0.85."""
    inner = offset + 40e-6 * (np.maximum(loads - turn_on, 0) / 20) ** 0.85
    return inner / (1 + series * inner)


def best(name, fits):
    """The candidate of that name."""
    return next(fit for fit in fits if fit.model == name)


@pytest.mark.parametrize(
    ("model", "terms", "field"),
    [
        ("power law", {}, None),
        ("power law with offset", {"offset": 1e-6}, "offset_conductance"),
        ("power law with turn-on", {"turn_on": 0.4}, "turn_on"),
        ("power law with series resistance", {"series": 2000.0}, "series_resistance"),
    ],
)
def test_exact_data_are_recovered(model, terms, field) -> None:
    """Each thin-film model gives the parameters back from exact data and is chosen or tied for first."""
    fits = fit_sensor(LOADS, pad(LOADS, **terms), "thin film", reference_load=20.0)
    curve = best(model, fits).curve
    assert curve["sensitivity"] == pytest.approx(40e-6, rel=1e-5)
    assert curve["exponent"] == pytest.approx(0.85, rel=1e-5)
    if field is not None:
        assert curve[field] == pytest.approx(next(iter(terms.values())), rel=1e-3)


def test_scatter_chooses_the_true_model() -> None:
    """With 0.5 % scatter the series resistance is chosen; plain power law shows lack of fit."""
    rng = np.random.default_rng(4)
    loads = np.tile(LOADS, 30)
    values = pad(loads, series=3000.0) * np.exp(0.005 * rng.standard_normal(loads.size))
    fits = fit_sensor(loads, values, "thin film", reference_load=20.0)
    assert "series resistance" in fits[0].model
    plain, true = best("power law", fits), best("power law with series resistance", fits)
    assert plain.lack is not None and true.lack is not None
    assert plain.lack.p < 1e-6 < 0.01 < true.lack.p
    assert plain.weight < 1e-6 and sum(fit.weight for fit in fits) == pytest.approx(1)
    low, high = true.curve.interval("series_resistance", 0.99)
    assert low < 3000 < high


def test_the_fitted_element_reproduces_the_curve() -> None:
    """The element made from a fit gives the fitted conductance."""
    fits = fit_sensor(
        LOADS, pad(LOADS, series=1000.0), "thin film", models=["power law with series resistance"]
    )
    output = fits[0].sensor.output(Contact(LOADS), Setting())
    assert output == pytest.approx(pad(LOADS, series=1000.0), rel=1e-6)


def test_sensitivity_and_exponent_are_uncorrelated_at_the_reference() -> None:
    """Anchored at the geometric mean of the loads the two have no correlation; at 1 N they have much."""
    rng = np.random.default_rng(5)
    loads = np.tile(LOADS, 5)
    values = pad(loads) * np.exp(0.01 * rng.standard_normal(loads.size))

    def related(reference):
        cov = fit_sensor(loads, values, "thin film", models=["power law"], reference_load=reference)[
            0
        ].curve.covariance
        return cov[0, 1] / np.sqrt(cov[0, 0] * cov[1, 1])

    assert abs(related(None)) < 1e-4
    assert related(1.0) < -0.8


def test_power_law_equals_the_straight_line_in_logarithms() -> None:
    """The power law with relative weights is the least squares line of the logarithms, errors included."""
    rng = np.random.default_rng(6)
    values = pad(LOADS) * np.exp(0.02 * rng.standard_normal(LOADS.size))
    curve = fit_sensor(LOADS, values, "thin film", models=["power law"], reference_load=1.0)[0].curve
    line = fit_polynomial(np.log(LOADS), np.log(values), 1)
    assert np.log(curve["sensitivity"]) == pytest.approx(line["b0"], rel=1e-9)
    assert curve["exponent"] == pytest.approx(line["b1"], rel=1e-9)
    assert curve.standard_error("exponent") == pytest.approx(line.standard_error("b1"), rel=1e-6)
    relative = curve.standard_error("sensitivity") / curve["sensitivity"]
    assert relative == pytest.approx(line.standard_error("b0"), rel=1e-6)


def test_gain_of_the_reference_does_not_average_out() -> None:
    """1 % of reference gain puts n % on the sensitivity however many readings there are."""
    loads = np.tile(LOADS, 200)
    rng = np.random.default_rng(7)
    values = pad(loads) * np.exp(0.01 * rng.standard_normal(loads.size))
    options = {"models": ["power law"], "reference_load": 20.0}
    plain = fit_sensor(loads, values, "thin film", **options)[0].curve
    curve = fit_sensor(loads, values, "thin film", ReferenceLoad(gain=0.01), **options)[0].curve
    expected = np.hypot(plain.standard_error("sensitivity"), 0.01 * curve["exponent"] * curve["sensitivity"])
    assert curve.standard_error("sensitivity") == pytest.approx(expected, rel=1e-4)
    assert curve.standard_error("exponent") == pytest.approx(plain.standard_error("exponent"), rel=1e-3)


def test_scatter_of_the_reference_lightens_the_light_loads() -> None:
    """0.1 N of scatter in the load is 10 % at 1 N: its weight falls against that at 20 N."""
    loads = np.tile(LOADS, 20)
    rng = np.random.default_rng(8)
    values = pad(loads + 0.1 * rng.standard_normal(loads.size)) * np.exp(
        0.005 * rng.standard_normal(loads.size)
    )
    curve = fit_sensor(loads, values, "thin film", ReferenceLoad(scatter=0.1), models=["power law"])[0].curve
    expected = (0.005**2 + (0.85 * 0.1 / 20) ** 2) / (0.005**2 + (0.85 * 0.1) ** 2)
    assert curve.weights[0] / curve.weights[6] == pytest.approx(expected, rel=0.25)
    low, high = curve.interval("exponent", 0.99)
    assert low < 0.85 < high


def test_bridge_element_from_a_quadratic() -> None:
    """Zero, rated output and curvature of the element reproduce the quadratic."""
    ratio = 0.02 + 2.0 * (LOADS / 20 + 4 * 0.01 * (LOADS / 20) * (1 - LOADS / 20))
    sensor = best("quadratic", fit_sensor(LOADS, ratio, "strain-gauge bridge")).sensor
    assert 1e3 * sensor.output(Contact(LOADS), Setting()) == pytest.approx(ratio, rel=1e-9)
    assert sensor.curvature == pytest.approx(0.01)


def test_unloaded_readings_are_left_out_and_counted() -> None:
    """Readings without a logarithm are counted in the notes."""
    fits = fit_sensor(np.append(0.0, LOADS), np.append(0.0, pad(LOADS)), "thin film", models=["power law"])
    assert "left out: 1 reading without load or conductance" in fits[0].notes


def test_ten_thousand_readings() -> None:
    """All candidates are fitted to ten thousand readings, and the exponent is known to 0.1 %."""
    loads = np.tile(LOADS, 1429)
    rng = np.random.default_rng(9)
    values = pad(loads) * np.exp(0.01 * rng.standard_normal(loads.size))
    fits = fit_sensor(loads, values, "thin film", ReferenceLoad(0.01, 0.001))
    assert len(fits) == 6
    assert best("power law", fits).curve["exponent"] == pytest.approx(0.85, rel=1e-3)


def test_a_parameter_at_its_limit_says_so() -> None:
    """A pad without offset leaves the offset at 0, without a standard error and with a note."""
    rng = np.random.default_rng(10)
    loads = np.tile(LOADS, 10)
    values = pad(loads, turn_on=0.3) * np.exp(0.001 * rng.standard_normal(loads.size))
    curve = best("power law with offset", fit_sensor(loads, values, "thin film")).curve
    assert curve["offset_conductance"] == pytest.approx(0, abs=1e-10)
    assert "offset_conductance is at its limit: no standard error" in curve.notes


def test_too_few_readings() -> None:
    """A model with more parameters than readings is refused, and what is left is still fitted."""
    with pytest.raises(NotMeasurableError, match="three or more readings"):
        fit_sensor(LOADS[:2], pad(LOADS[:2]), "thin film")
    fits = fit_sensor(LOADS[:3], pad(LOADS[:3]), "thin film")
    assert [fit.model for fit in fits] == ["power law"]
    assert any("power law with offset left out" in note for note in fits[0].notes)


def test_bad_arguments() -> None:
    """Unknown models, values that are not finite and curves without a value are refused by name."""
    with pytest.raises(ValueError, match="no model 'parabola'"):
        fit_sensor(LOADS, LOADS, "strain-gauge bridge", models=["parabola"])
    with pytest.raises(ValueError, match="must be finite"):
        fit_curve(lambda x, b: b[0] * x, LOADS, np.append(LOADS[:-1], np.nan), [1.0])
    with pytest.raises(ValueError, match="no finite value at the starting values"):
        fit_curve(lambda x, b: np.log(-x) * b[0], LOADS, LOADS, [1.0])


def test_information_criterion_and_lack_of_fit_limits() -> None:
    """Too many parameters for the data get an infinite criterion; no repeats, no lack-of-fit test."""
    fit = fit_polynomial(LOADS[:5], LOADS[:5] ** 2, 3)
    assert aicc(fit) == float("inf")
    assert lack_of_fit(fit, LOADS[:5]) is None
