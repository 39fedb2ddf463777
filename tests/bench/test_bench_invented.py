"""The invented bench of the gripper's pad, from the file to spreads and comparisons."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from margin.bench import NotMeasurableError, compare, figures_of_merit, fit_sensor, read_bench, spreads_of

FOLDER = Path(__file__).parents[2] / "cases" / "gripper_amplifier"
EQUATIONS = {"amplifier": lambda v: v / 56e3, "divider": lambda v: v / (3.0 - v) / 27e3}


@pytest.fixture(scope="module")
def data():
    """The bench, turned into conductance by the ideal equation of each circuit."""
    return read_bench(FOLDER / "bench.csv").converted(EQUATIONS, "conductance", "S")


@pytest.fixture(scope="module")
def merits(data):
    """Its figures of merit, drift from 1 s."""
    return figures_of_merit(data, t0=1.0)


def test_the_file_comes_from_its_script(tmp_path, monkeypatch) -> None:
    """The script makes the file again to the byte; the file says that it is invented and stays small."""
    spec = importlib.util.spec_from_file_location("make_bench", FOLDER / "make_bench.py")
    assert spec is not None and spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    monkeypatch.setattr(script, "__file__", str(tmp_path / "make_bench.py"))
    script.main()
    made = (FOLDER / "bench.csv").read_bytes()
    assert (tmp_path / "bench.csv").read_bytes() == made
    assert b"Invented" in made.splitlines()[0] and len(made) < 1_000_000


def test_spreads_hold_what_the_bench_was_made_with(data) -> None:
    """Sensor, mounting and reload spreads, and exponent, are inside their intervals; the lot is not there."""
    found = spreads_of(data, "thin film", circuit="amplifier", interface="silicone")
    sensitivity = found.components["ln_sensitivity"]
    for level, truth in (("sensor", 0.08), ("mounting", 0.02), ("loading", 0.015)):
        assert sensitivity[level].low < truth < sensitivity[level].high
    assert found.components["exponent"]["sensor"].low < 0.015 < found.components["exponent"]["sensor"].high
    assert sensitivity.not_measurable == ("lot",)
    assert any("only one lot" in note for note in found.notes)
    assert found.together is not None and found.together.units == 6
    assert not found.reading.measured and "take ten in a row" in found.reading.note


def test_figures_hold_what_the_bench_was_made_with(merits) -> None:
    """Drift, temperature coefficient and zero return of the pooled figures meet the script's values."""
    found = {
        m.name: m
        for m in merits
        if m.sensor == "pooled" and (m.circuit, m.interface) == ("amplifier", "silicone")
    }
    assert found["drift per decade"].value == pytest.approx(2.0, abs=0.1)
    assert found["temperature coefficient of span"].value == pytest.approx(-0.2, abs=0.06)
    assert found["zero"].value == pytest.approx(0.2e-6, abs=0.02e-6)
    assert found["zero return"].value == pytest.approx(0.0, abs=0.05)
    assert 2.0 < found["hysteresis"].value < 3.0


def test_materials_differ_and_circuits_do_not(merits) -> None:
    """The 5 % between the concentrators is resolved sensor by sensor; between the circuits nothing is."""
    materials = compare(merits, "interface", ["sensitivity", "hysteresis"]).differences.set_index("figure")
    assert bool(materials["resolved"]["sensitivity"]) and not materials["resolved"]["hysteresis"]
    circuits = compare(merits, "circuit", ["sensitivity", "hysteresis"]).differences
    assert not circuits["resolved"].any()


def test_fit_of_one_sensor(data) -> None:
    """A fit of one sensor's ascending readings finds its exponent near 0.85."""
    frame = data.usable()
    one = frame[(frame["sensor"] == "S1") & (frame["branch"] == "up") & (frame["run"] != "hold")]
    loads, outputs = one["load_N"].to_numpy(), one["output"].to_numpy()
    best = fit_sensor(loads, outputs, "thin film", models=["power law with offset"])[0]
    assert best.curve["exponent"] == pytest.approx(0.85, abs=0.05)
    assert best.residuals["residual"].abs().max() < 0.2


def test_voltages_are_no_conductance() -> None:
    """A thin film's spreads are not taken from voltages, and a missing setup is named."""
    raw = read_bench(FOLDER / "bench.csv")
    with pytest.raises(ValueError, match="turn it into one"):
        spreads_of(raw, "thin film")
    with pytest.raises(NotMeasurableError, match="no usable readings with circuit 'bridge'"):
        spreads_of(raw, "strain-gauge bridge", circuit="bridge")


def test_flags_of_the_invented_bench(data) -> None:
    """Nothing in it is set aside: no reading is stuck, saturated or repeated."""
    assert set(data.flags["kind"]) <= {"first cycle"}
    assert np.isfinite(data.frame["output"]).all()
