"""Characterising a bench from Python: what is found, what is missing, and what to measure next."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from bench_rows import OFFSET, bench_frame
from scipy import stats

import margin
from margin.bench import NotMeasurableError
from margin.case.load import read_case
from margin.chain.circuits import InvertingAmplifier
from margin.estimates.bench_tables import models_of
from margin.estimates.next_measurement import SPAN_COEFFICIENT, SPREAD_TOGETHER
from margin.estimates.yield_with_more import measured_levels, with_more
from margin.messages.sentences import said

CASE = """
[case]
unstated = "zero"
[load]
range = "2 N to 20 N"
check = ["2 N", "10 N", "20 N"]
[requirement]
permissible_error = "15 % of reading"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 16 % (2 sigma, from 6 units) per unit"
reference_load = "10 N"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "10 kohm +/- 1 %"
[[calibration]]
kind = "none"
[study]
units = 6000
outer = 60
"""


@pytest.fixture(scope="module")
def whole():
    """A bench with everything: two circuits, two interfaces, two temperatures, a hold."""
    frame = bench_frame(
        circuits=("one", "two"), interfaces=("soft", "hard"), warm=True, hold=True, mountings=2
    )
    return margin.characterise(frame)


def test_every_figure_has_its_definition(whole) -> None:
    """No figure of merit comes without a definition; those with a value and a count have an interval or a reason."""
    merits = whole.merits
    assert (merits["definition"].str.len() > 10).all()
    bare = merits[merits["value"].notna() & merits["low"].isna()]
    assert (bare["note"].str.len() > 0).all()


def test_setups_are_characterised_each_and_compared(whole) -> None:
    """Four setups; the 10 % between the interfaces is resolved, nothing is between the circuits."""
    assert set(whole.spreads) == {(c, i) for c in ("one", "two") for i in ("soft", "hard")}
    found = whole.differences.set_index(["by", "figure"])
    assert bool(found.loc[("interface", "sensitivity"), "resolved"])
    assert found.loc[("interface", "sensitivity"), "difference"] > 0
    assert not found.loc["circuit"]["resolved"].any()


def test_fits_name_the_law_that_made_the_data(whole) -> None:
    """The power law with offset, which made the data, is the best of the candidates by AICc over the sensors."""
    for setup in whole.findings.setups:
        table = models_of(setup)
        assert table["model"][0] == "power law with offset"
        assert table["weight"].sum() == pytest.approx(1.0)


def test_components_hold_the_truth(whole) -> None:
    """Mounting (2 %) and reload (1 %) lie inside the intervals of one setup; the lot is not measurable."""
    table = whole.components
    one = table[(table["circuit"] == "one") & (table["interface"] == "soft")]
    rows = one[one["parameter"] == "sensitivity"].set_index("level")
    assert rows.loc["mounting", "low"] < 0.02 < rows.loc["mounting", "high"]
    assert rows.loc["loading", "low"] < 0.01 < rows.loc["loading", "high"]
    assert np.isnan(rows.loc["lot", "sd"])


LACKS = {
    "one sensor": ({"sensors": 1}, "spread per sensor", "measure several sensors"),
    "one cycle": ({"cycles": 1}, "spread per loading", "repeat the cycle without remounting, three times or more"),
    "no unloading": ({"down": False}, "hysteresis", "read the same loads going down"),
    "one temperature": ({}, SPAN_COEFFICIENT, "repeat the cycles, without remounting, at the ends of the range of use"),
    "one mounting": (
        {"mountings": 1}, "reproducibility after remounting",
        "take the sensor out and mount it again, three times or more",
    ),
    "no zero load": ({"loads": (1.0, 5.0, 20.0)}, "zero", "read the unloaded output before each cycle"),
    "one load": ({"loads": (10.0,), "down": False}, "sensitivity", "read two or more loads in one run"),
}  # fmt: skip


@pytest.mark.parametrize(("change", "what", "measure"), LACKS.values(), ids=LACKS.keys())
def test_what_lacks_is_named_with_what_to_measure(change, what, measure) -> None:
    """Each poor bench gives what it can, and says what it cannot give and what to measure next."""
    found = margin.characterise(bench_frame(**{"sensors": 2, "mountings": 2, **change}))
    rows = found.missing.set_index("what")
    assert rows.loc[what, "measure"] == measure
    assert (found.missing["measure"].str.len() > 0).all()
    assert len(str(found)) > 100


def test_one_sensor_one_cycle_still_has_its_zero() -> None:
    """The poorest bench still gives zero and sensitivity, without interval, and no outlook."""
    found = margin.characterise(bench_frame(sensors=1, mountings=1, cycles=1, down=False))
    zero = found.merits.set_index(["name", "sensor"]).loc[("zero", "L / S0")]
    assert zero["value"] == pytest.approx(OFFSET, rel=0.05) and np.isnan(zero["low"])
    assert found.outlook is None
    assert "outlook on more measurements" in set(found.missing["what"])


def test_voltages_become_conductance_by_the_circuit() -> None:
    """An amplifier's voltages give the spreads of the conductances; another circuit's are refused."""
    amplifier = InvertingAmplifier(reference=1.0, feedback=56e3)
    plain = bench_frame(sensors=2)
    volts = bench_frame(sensors=2, column="voltage_V", turned=lambda g: 56e3 * g)
    one, two = margin.characterise(plain), margin.characterise(volts, circuits={"amplifier": amplifier})
    assert two.components["sd"].dropna().to_numpy() == pytest.approx(one.components["sd"].dropna().to_numpy())
    with pytest.raises(ValueError, match="the data hold a voltage"):
        margin.characterise(volts)
    wrong = InvertingAmplifier(reference=3.0, feedback=12e3, drive_ratio=0.3, bias_ratio=0.9)
    with pytest.raises(ValueError, match="does not fit its readings"):
        margin.characterise(volts, circuits={"amplifier": wrong})
    with pytest.raises(ValueError, match="circuit 'amplifier' of the data is not described"):
        margin.characterise(volts, circuits={"divider": amplifier})


def test_a_bridge_is_known_by_its_ratio() -> None:
    """Ratios without a named kind are a bridge's, and fitted by polynomials."""
    found = margin.characterise(bench_frame(sensors=2, column="ratio_mV_per_V", turned=lambda g: 1e4 * g))
    assert found.findings.kind == "strain-gauge bridge"
    assert set(found.fits["model"]) <= {"straight line", "quadratic", "cubic"}


def test_outlook_without_a_case_is_that_of_the_spread(whole) -> None:
    """More sensors narrow the whole spread step by step; the advice is the best row by readings."""
    outlook = whole.outlook
    assert outlook.decides == SPREAD_TOGETHER
    rows = outlook.of(SPREAD_TOGETHER)
    sensors = rows[rows["measure"].isin(["now", "sensors"])]
    assert (np.diff(sensors["width"]) < 0).all()
    best = rows.loc[rows["per_1000_readings"].idxmax()]
    assert said(outlook.advice).startswith(f"{best['words']} ({best['readings']:.0f} readings)")


def test_outlook_of_the_temperature_run_is_students_interval(whole) -> None:
    """Half-width of the mean coefficient of n sensors: t(n - 1) s / sqrt(n) (JCGM 100, G.3)."""
    rows = whole.outlook.of(SPAN_COEFFICIENT)
    merits = whole.merits
    first = merits[(merits["circuit"] == "one") & (merits["interface"] == "soft")]
    values = first[(first["name"] == SPAN_COEFFICIENT) & (first["sensor"] != "pooled")]["value"].to_numpy()
    for row in rows.to_dict("records"):
        n = values.size + row["added"]
        half = stats.t.ppf(0.975, n - 1) * values.std(ddof=1) / np.sqrt(n)
        assert row["high"] - row["value"] == pytest.approx(half)


def test_more_units_behind_a_case() -> None:
    """A case's measured spreads are those with 'from N units', and only their count changes."""
    case = read_case(CASE)
    assert measured_levels(case) == {"unit": 6}
    more = with_more(case, {"unit": 3})
    assert measured_levels(more) == {"unit": 9}
    assert with_more(more, {"unit": -3}) == case


def test_yield_of_the_case_narrows_with_more_sensors() -> None:
    """Without calibration the interval of the yield narrows with more sensors, on the same draws."""
    case = read_case(CASE)
    found = margin.characterise(bench_frame(), case=case, calibration="none", units=6000)
    assert found.outlook.decides == "yield with 'none'"
    rows = found.outlook.of(found.outlook.decides)
    sensors = rows[rows["measure"].isin(["now", "sensors"])]
    width = sensors.set_index("added")["width"]
    assert (np.diff(width) < 0).all() and width[24] < 0.6 * width[0]
    assert "more sensors" in said(found.outlook.advice)
    other = rows[rows["measure"].str.startswith("mountings")]
    assert other["note"].str.contains("no measured spread").all()
    with pytest.raises(ValueError, match="no calibration option 'ten'"):
        margin.characterise(bench_frame(), case=case, calibration="ten", units=6000)


def test_only_what_is_named() -> None:
    """A named circuit is characterised alone, without a word on others; an unknown one is named with what there is."""
    frame = bench_frame(sensors=2, circuits=("one", "two"))
    found = margin.characterise(frame, circuit="two")
    assert set(found.spreads) == {("two", "silicone")}
    assert "difference by circuit" not in set(found.missing["what"])
    with pytest.raises(NotMeasurableError, match="the data contain one, two"):
        margin.characterise(frame, circuit="three")
    with pytest.raises(ValueError, match="confidence must be"):
        margin.characterise(frame, confidence=1.0)
    with pytest.raises(ValueError, match="above 0 N"):
        margin.characterise(frame, reference_load=0.0)


def test_a_model_is_of_one_setup(whole, tmp_path: Path) -> None:
    """The fitted sensor of one setup is written for a case; several setups are refused."""
    path = tmp_path / "bench.csv"
    bench_frame(sensors=2, cycles=2).to_csv(path, index=False)
    written = margin.characterise(path).save_model(tmp_path / "pad.toml")
    assert 'kind = "thin film"' in written.read_text(encoding="utf-8")
    with pytest.raises(ValueError, match="one circuit and one interface"):
        whole.save_model(tmp_path / "several.toml")


CASE_OF_MODEL = """
[case]
unstated = "zero"
reference_temperature = "23 degC"
[load]
range = "1 N to 20 N"
[requirement]
permissible_error = "2 N"
[sensor]
from = "pad.toml"
sensitivity = "+/- 5 % (2 sigma) per lot"
[circuit]
kind = "inverting amplifier"
reference = "1 V"
feedback = "20 kohm"
"""


def test_a_frame_gives_the_model_of_its_file(tmp_path: Path) -> None:
    """A frame is saved as the model that its CSV file gives, apart from the file's name; a case reads it and says that
    the data were in memory."""
    frame = bench_frame(sensors=3, cycles=2)
    frame.to_csv(tmp_path / "bench.csv", index=False)
    lines = {}
    for name, source in (("file", tmp_path / "bench.csv"), ("frame", frame)):
        path = margin.characterise(source).save_model(tmp_path / "pad.toml")
        lines[name] = path.read_text(encoding="utf-8").splitlines()
    different = [pair for pair in zip(lines["file"], lines["frame"], strict=True) if pair[0] != pair[1]]
    assert [first.split(" = ")[0] for first, _ in different] == ["data"]
    (tmp_path / "case.toml").write_text(CASE_OF_MODEL, encoding="utf-8")
    case = margin.load(tmp_path / "case.toml")
    assert any("fitted to a frame" in line and "in memory" in line for line in case.readings)


def test_a_frame_of_voltages_is_saved_with_its_circuit(tmp_path: Path) -> None:
    """Voltages in a frame become a model by circuits given as elements, which tell the sensor's voltage."""
    frame = bench_frame(sensors=2, cycles=2, column="voltage_V", turned=lambda g: 56e3 * g)
    amplifier = InvertingAmplifier(reference=1.0, feedback=56e3)
    path = margin.characterise(frame, circuits={"amplifier": amplifier}).save_model(tmp_path / "pad.toml")
    assert tomllib.loads(path.read_text(encoding="utf-8"))["sensor"]["voltage_reference"] == "1 V"
