"""From bench data to the fitted model that a case takes its sensor from."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import itertools
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from margin.bench import (
    BenchDataError,
    FittedSensor,
    circuits_file,
    effects,
    fit_file,
    fitted_sensor,
    model_text,
    read_bench,
    read_circuits,
    sensor_model,
    write_model,
)
from margin.bench.behaviour import zero_returns
from margin.bench.components import nested_components
from margin.bench.data import at_points
from margin.bench.levels import units_of
from margin.case import load_case
from margin.chain.parameter import Value, parameter
from margin.chain.sensors import ThinFilm

FOLDER = Path(__file__).parents[2] / "cases" / "gripper_amplifier"
LOADS = (0.0, 1.0, 2.0, 4.0, 8.0, 16.0)
DAY = datetime.date(2025, 11, 25)


def bench(
    sensors: int = 4,
    lots: int = 1,
    mountings: int = 2,
    cycles: int = 3,
    *,
    scatter: float = 0.0,
    warm: bool = True,
    hold: bool = True,
    down: bool = True,
    zero: bool = True,
) -> pd.DataFrame:
    """Invented conductances of pads that differ in everything, exact but for the scatter of each cycle."""
    rng = np.random.default_rng(3)
    rows = []

    def read(
        who: tuple[object, ...], gain: float, load: float, i: int, heat: float, branch: str, time: float
    ) -> None:
        u = load / LOADS[-1]
        loop = 1.0 + (0.04 + 0.01 * i) * 4 * u * (1 - u) * (branch == "down")
        creep = 1.0 + (0.02 + 0.002 * i) * np.log10(time) if who[-1] == "hold" else 1.0
        warmth = 1.0 + (-0.002 + 0.0002 * i) * (heat - 23.0)
        pad = gain * (10e-6 + 1e-6 * i) * (load / 4.0) ** (0.85 + 0.01 * i) * loop * creep * warmth
        rows.append((*who, branch, time, load, heat, pad + 0.2e-6 + 0.01e-6 * i))

    for lot, sensor, mounting in itertools.product(range(lots), range(sensors), range(mountings)):
        who = (f"L{lot}", f"S{sensor}", str(mounting))
        for cycle in range(cycles * (1 + warm)):
            gain = float(np.exp(scatter * rng.standard_normal()))
            heat = 23.0 if cycle < cycles else 53.0
            ways = [("up", LOADS), ("down", LOADS[-2::-1])] if down else [("up", LOADS)]
            for branch, loads in ways:
                for load in loads:
                    if zero or load > 0:
                        read((*who, str(cycle)), gain, load, sensor, heat, branch, 2.0)
        if hold and mounting == 0:
            for time in (1.0, 10.0, 100.0, 1000.0):
                read((*who, "hold"), 1.0, 8.0, sensor, 23.0, "up", time)
    names = "lot sensor mounting run branch time_s load_N temperature_degC conductance_S"
    return pd.DataFrame(rows, columns=names.split())


def fitted(**made: object) -> FittedSensor:
    """A thin film fitted to such a bench."""
    return fitted_sensor(read_bench(bench(**made)), "thin film")  # type: ignore[arg-type]


def nominal(sensor: FittedSensor) -> dict[str, float]:
    """Nominal values by key."""
    return {q.key: q.nominal for q in sensor.quantities}


def spread(sensor: FittedSensor, key: str, level: str) -> tuple[float, int | None] | None:
    """Standard deviation and units of a spread, None where there is none."""
    quantity = next(q for q in sensor.quantities if q.key == key)
    return next(((s.sd, s.units) for s in quantity.spreads if s.level == level), None)


def test_the_shipped_model_comes_from_the_shipped_bench() -> None:
    """The fit of bench.csv, written on the model's own date, is the shipped file to the byte."""
    path = FOLDER / "pad_fit.toml"
    shipped = path.read_text(encoding="utf-8")
    written = tomllib.loads(shipped)["model"]["written"]
    again = model_text(
        fit_file(FOLDER / "bench.csv", circuit="amplifier", interface="silicone"),
        FOLDER / "bench.csv", FOLDER, written,
    )  # fmt: skip
    assert again == shipped


def test_the_shipped_model_holds_what_the_bench_was_made_with() -> None:
    """Within three standard errors of six sensors the values are those of the script that made the bench."""
    found = nominal(fit_file(FOLDER / "bench.csv", circuit="amplifier", interface="silicone"))
    root = np.sqrt(6.0)
    for key, truth, sd in (
        ("sensitivity", 40e-6 * 0.4**0.85, 0.08 * 18.4e-6),
        ("exponent", 0.85, 0.015),
        ("offset_conductance", 0.2e-6, 0.05e-6),
        ("hysteresis", 0.04, 0.006),
        ("creep", 0.02, 0.003),
        ("temperature_coefficient", -0.002, 0.0004),
    ):
        assert found[key] == pytest.approx(truth, abs=3.0 * sd / root)
    assert found["reload_scatter"] == pytest.approx(0.015, rel=0.25)
    assert found["reference_load"] == 8.0
    assert found["voltage_reference"] == pytest.approx(1.0)


def test_exact_data_give_exact_values() -> None:
    """Without scatter every property and its spread between sensors comes out as it went in."""
    sensor = fitted()
    found, steps = nominal(sensor), np.arange(4)
    assert found["reference_load"] == 4.0
    assert found["sensitivity"] == pytest.approx(float(np.exp(np.log(10e-6 + 1e-6 * steps).mean())), rel=1e-9)
    for key, first, step in (
        ("exponent", 0.85, 0.01),
        ("offset_conductance", 0.2e-6, 0.01e-6),
        ("hysteresis", 0.04, 0.01),
        ("creep", 0.02, 0.002),
        ("temperature_coefficient", -0.002, 0.0002),
    ):
        assert found[key] == pytest.approx(first + step * steps.mean(), rel=1e-6)
        sd, units = spread(sensor, key, "unit") or (0.0, None)
        assert sd == pytest.approx(step * steps.std(ddof=1), rel=1e-5)
        assert units == 4
    assert spread(sensor, "sensitivity", "mounting") is None


def test_counts_and_setup_are_kept() -> None:
    """Provenance counts lots, sensors, mountings, cycles and readings that were used."""
    found = fitted(sensors=3, lots=2).provenance
    assert (found.lots, found.sensors, found.mountings) == (2, 6, 12)
    assert (found.cycles, found.temperature) == (12 * 6 + 6, 23.0)
    assert found.readings == 12 * 6 * 11 + 6 * 4
    assert (found.dwell, found.branch) == (1.0, "up")


def test_one_lot_tells_nothing_of_lots() -> None:
    """One lot leaves its spread to be stated, one sensor that between units too; two lots leave neither."""
    assert fitted().must_state == ("sensitivity per lot",)
    single = fitted(sensors=1, mountings=3)
    assert single.must_state == ("sensitivity per lot", "sensitivity per unit")
    assert single.tie is None
    assert any("independent" in line for line in single.assumptions)
    assert fitted(lots=2).must_state == ()


def test_what_was_not_measured_is_listed_and_left_out(tmp_path: Path) -> None:
    """An effect without data has no key, and the model lists it as data with what to measure beside it."""
    made = {"warm": False, "hold": False, "down": False, "zero": False}
    sensor = fitted(**made)
    unmeasured = {each.key: each.measure for each in sensor.unmeasured}
    assert unmeasured.keys().isdisjoint(nominal(sensor))
    for key, mend in (
        ("offset_conductance", "read the unloaded output"),
        ("hysteresis", "read the same loads going down"),
        ("creep", "keep one load for 1000 s"),
        ("temperature_coefficient", "repeat the cycles at another temperature"),
        ("humidity_coefficient", "another humidity"),
    ):
        assert mend in unmeasured[key]
    assert not any("taken as 0" in line for line in sensor.assumptions)
    data = tmp_path / "bench.csv"
    bench(**made).to_csv(data, index=False)
    text = write_model(tmp_path / "pad.toml", sensor, data, DAY).read_text(encoding="utf-8")
    tables = tomllib.loads(text)
    assert tables["model"]["unmeasured"] == list(unmeasured)
    assert tables["sensor"].keys().isdisjoint(unmeasured)
    lines = text.splitlines()
    assert '  "creep",  # keep one load for 1000 s; 1 % to 5 % per common' in lines
    assert any(
        line.startswith('  "ageing",') and "0 % to 2 % per common with use.age" in line for line in lines
    )
    assert any(line.startswith('  "interface.friction",') and line.endswith("; 0") for line in lines)
    case = CASE.format(kind="thin film", key="sensitivity", circuit=AMPLIFIER)
    case = case.replace("[circuit]", 'creep = "2 %"\n[circuit]')
    (tmp_path / "case.toml").write_text(case, encoding="utf-8")
    read = load_case(tmp_path / "case.toml")
    assert read.model is not None
    assert read.model.unmeasured == tuple(unmeasured)
    said = [line for line in read.assumed if "unmeasured by the bench of pad.toml" in line]
    assert any(line.startswith("sensor.hysteresis: 2 % to 10 % per common") for line in said)
    assert not any(line.startswith("sensor.creep") for line in said)
    (at_zero,) = [line for line in said if "and unstated: " in line]
    left = at_zero.partition("and unstated: ")[2].split(", ")
    assert {"sensor.offset_conductance = 0 S", "sensor.zero_ageing = 0 S", "circuit.flicker_corner = 0 Hz",
            "sensor.thermal_resistance = 0 K/W"} <= set(left)  # fmt: skip
    # a direct interface has no friction, a film on its own no lines, and creep is stated
    assert not any(key in at_zero for key in ("friction", "row_resistance", "switch_leakage", "creep"))


def test_effects_beside_the_sensor_are_those_of_the_case(tmp_path: Path) -> None:
    """Friction of an interface that has it is left at 0 unless stated; lines of a stated array have their bands."""
    sensor = fitted()
    data = tmp_path / "bench.csv"
    bench().to_csv(data, index=False)
    write_model(tmp_path / "pad.toml", sensor, data, DAY)
    case = CASE.format(kind="thin film", key="sensitivity", circuit=AMPLIFIER)
    case += '\n[interface]\nkind = "load concentrator"\nshear_error = "1 %"\n'
    for added, there in (("", False), ("rows = 4\ncolumns = 4\n[circuit]", True)):
        text = case.replace("[circuit]", added) if added else case
        (tmp_path / "case.toml").write_text(text, encoding="utf-8")
        read = load_case(tmp_path / "case.toml")
        (at_zero,) = [line for line in read.assumed if "and unstated: " in line]
        assert "interface.friction = 0" in at_zero
        assert "shear_error" not in at_zero
        banded = [line for line in read.assumed if "plausible band" in line]
        assert (
            any(line.startswith("sensor.switch_leakage: -1 nA to 1 nA per common") for line in banded)
            is there
        )
        assert ("row_resistance" in at_zero) is False


def test_zero_return_is_what_a_cycle_leaves() -> None:
    """Unloaded output after each cycle less that before it, as share of the output at the largest load."""
    points = at_points(read_bench(bench(sensors=2)).usable())
    points = points[points["run"] != "hold"]
    last = (points["branch"] == "down") & (points["point_N"] == 0)
    left = 0.01 * points["output"].max()
    moved = points.assign(output=points["output"] + left * last)
    found = zero_returns(moved, moved)
    full = moved[moved["point_N"] == LOADS[-1]].groupby(["sensor", "mounting", "run"], observed=True)[
        "output"
    ]
    assert len(found) == 2 * 2 * 6
    assert found["value"].sum() == pytest.approx(float((left / full.mean()).sum()), rel=1e-9)
    assert zero_returns(moved[moved["branch"] == "up"], moved).empty


def test_zero_return_goes_into_the_model_of_a_sensor_that_has_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """An element with a field zero_return gets its value; without data the effect is listed as unmeasured."""

    @dataclasses.dataclass(frozen=True, kw_only=True)
    class Returning(ThinFilm):
        zero_return: Value = parameter("", 0.0, minimum=0.0, doc="output left after the largest load")

    monkeypatch.setattr(effects, "ELEMENTS", {"thin film": Returning})
    monkeypatch.setattr(sensor_model, "ELEMENTS", {"thin film": Returning})
    frame = bench(warm=False)
    after = (frame["branch"] == "down") & (frame["load_N"] == 0)
    top = frame[frame["load_N"] == LOADS[-1]].groupby("sensor")["conductance_S"].mean()
    left = 0.01 * (top[frame["sensor"]].to_numpy() - frame.loc[frame["load_N"] == 0, "conductance_S"].mean())
    frame = frame.assign(conductance_S=frame["conductance_S"] + left * after)
    found = nominal(fitted_sensor(read_bench(frame), "thin film"))
    assert found["zero_return"] == pytest.approx(0.01, rel=0.02)
    bare = fitted_sensor(read_bench(bench(zero=False)), "thin film")
    assert "zero_return" in {each.key for each in bare.unmeasured}


def test_a_zero_that_drifts_with_temperature_is_kept(tmp_path: Path) -> None:
    """The unloaded output of warm cycles gives the change of the offset, and leaves the curve at the usual
    temperature as it was."""
    frame = bench()
    drift = 1e-9 * (frame["temperature_degC"] - 23.0)
    moved = fitted_sensor(read_bench(frame.assign(conductance_S=frame["conductance_S"] + drift)), "thin film")
    found, still = nominal(moved), nominal(fitted())
    assert found["offset_temperature_coefficient"] == pytest.approx(1e-9, rel=1e-6)
    for key in ("sensitivity", "exponent", "offset_conductance"):
        assert found[key] == pytest.approx(still[key], rel=1e-9)
    data = tmp_path / "bench.csv"
    frame.to_csv(data, index=False)
    text = write_model(tmp_path / "pad.toml", moved, data, DAY).read_text(encoding="utf-8")
    assert tomllib.loads(text)["sensor"]["offset_temperature_coefficient"].startswith("1 nS/K")


def test_what_was_measured_is_not_listed() -> None:
    """Only effects that no column of the bench tells are left."""
    assert {each.key for each in fitted(scatter=0.01).unmeasured} <= set(effects.UNTOLD)


def test_reload_scatter_is_known_as_well_as_its_freedom() -> None:
    """With all sensors alike its standard error is s / sqrt(2 nu) (JCGM 100, E.4.3), at level common."""
    sensor = fitted(scatter=0.02, cycles=4)
    assert nominal(sensor)["reload_scatter"] == pytest.approx(0.02, rel=0.3)
    common, unit = spread(sensor, "reload_scatter", "common"), spread(sensor, "reload_scatter", "unit")
    assert (common is None) != (unit is None)
    if common is not None:
        assert common[0] == pytest.approx(
            nominal(sensor)["reload_scatter"] / np.sqrt(2 * 4 * 2 * 3), rel=0.02
        )


def test_units_count_for_fewer_where_scatter_hides_them() -> None:
    """Little scatter within: as many as there are. Much: Satterthwaite's degrees of freedom down, plus one."""
    rng = np.random.default_rng(5)
    unit = np.repeat(np.arange(6), 4)
    labels = {"lot": np.zeros(24, dtype=int), "sensor": unit}
    between = np.array([-1.3, -0.7, -0.1, 0.2, 0.8, 1.1])[unit]
    clear = nested_components(between + 0.1 * rng.standard_normal(24), labels)
    hidden = nested_components(between + 1.0 * rng.standard_normal(24), labels)
    assert units_of(clear["sensor"], clear) == 6
    assert hidden["sensor"].dof < 5
    assert units_of(hidden["sensor"], hidden) == max(int(hidden["sensor"].dof) + 1, 2) < 6


def test_the_text_is_deterministic_and_whole(tmp_path: Path) -> None:
    """Writing twice gives the same bytes; the hash is that of the data; no half-written file is left."""
    data = tmp_path / "bench.csv"
    bench().to_csv(data, index=False)
    sensor = fit_file(data)
    first = write_model(tmp_path / "pad.toml", sensor, data, DAY).read_bytes()
    assert write_model(tmp_path / "pad.toml", fit_file(data), data, DAY).read_bytes() == first
    about = tomllib.loads(first.decode())["model"]
    assert about["sha256"] == hashlib.sha256(data.read_bytes()).hexdigest()
    assert (about["data"], about["written"]) == ("bench.csv", DAY)
    assert (about["dwell"], about["branch"]) == ("1 s", "up")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bench.csv", "pad.toml"]
    (tmp_path / "models").mkdir()
    below = write_model(tmp_path / "models" / "pad.toml", sensor, data, DAY)
    assert tomllib.loads(below.read_text(encoding="utf-8"))["model"]["data"] == "../bench.csv"


CASE = """
[case]
reference_temperature = "23 degC"
[load]
range = "1 N to 16 N"
[requirement]
permissible_error = "1 N"
[sensor]
kind = "{kind}"
from = "pad.toml"
{key} = "+/- 5 % (2 sigma) per lot"
{circuit}
"""
AMPLIFIER = '[circuit]\nkind = "inverting amplifier"\nreference = "1 V"\nfeedback = "20 kohm"'
BRIDGE = (
    '[circuit]\nkind = "bridge amplifier"\nreference = "2.5 V"\ninternal_resistor = "50 kohm"\n'
    'gain_resistor = "100 ohm"'
)


def test_a_case_reads_back_what_was_fitted(tmp_path: Path) -> None:
    """Every value and spread of the model arrives in a case, to the digits written."""
    data = tmp_path / "bench.csv"
    bench(scatter=0.01).to_csv(data, index=False)
    sensor = fit_file(data)
    write_model(tmp_path / "pad.toml", sensor, data, DAY)
    text = CASE.format(kind="thin film", key="sensitivity", circuit=AMPLIFIER)
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    case = load_case(tmp_path / "case.toml")
    read = case.elements["sensor"].quantities
    for quantity in sensor.quantities:
        assert read[quantity.key].nominal == pytest.approx(quantity.nominal, rel=1e-3)
        for each in quantity.spreads:
            (found,) = [s for s in read[quantity.key].spreads if s.level == each.level]
            assert found.distribution.sd == pytest.approx(each.sd, rel=5e-3)
            assert (found.measured_on, found.relative) == (each.units, quantity.relative)
    assert sensor.tie is not None
    assert case.dependences[0].measured_on == sensor.tie.units
    curve = case.design_curve
    assert (curve.dwell, curve.branch, curve.temperature) == (1.0, "up", 23.0)


def test_a_bridge_is_fitted_too(tmp_path: Path) -> None:
    """A load cell's rated output, zero, hysteresis and temperature coefficient of span arrive in a case."""
    frame = bench(sensors=3)
    u = frame["load_N"] / LOADS[-1]
    i = frame["sensor"].str[1:].astype(int)
    ratio = 0.01 * i + (2.0 + 0.02 * i) * u * (1 - 0.0002 * (frame["temperature_degC"] - 23))
    frame = frame.drop(columns="conductance_S").assign(ratio_mV_per_V=ratio)
    data = tmp_path / "bench.csv"
    frame[frame["run"] != "hold"].to_csv(data, index=False)
    write_model(tmp_path / "pad.toml", fit_file(data), data, DAY)
    text = CASE.format(kind="strain-gauge bridge", key="rated_output", circuit=BRIDGE)
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    read = load_case(tmp_path / "case.toml").elements["sensor"].quantities
    assert read["rated_load"].nominal == 16.0
    assert read["rated_output"].nominal == pytest.approx(2.02e-3, rel=1e-3)
    assert read["zero"].nominal == pytest.approx(0.01e-3, rel=1e-3)
    assert read["span_temperature_coefficient"].nominal == pytest.approx(-0.0002, rel=1e-3)


def test_circuits_turn_voltages_into_conductances(tmp_path: Path) -> None:
    """Voltages of a divider and an amplifier, described beside the data, give the sensor that was read."""
    frame = bench()
    g = frame.pop("conductance_S")
    amplifier = frame.assign(circuit="amplifier", voltage_V=1.0 * 20e3 * g)
    divider = frame.assign(circuit="divider", voltage_V=3.0 * 10e3 * g / (1 + 10e3 * g))
    data = tmp_path / "bench.csv"
    pd.concat([amplifier, divider]).to_csv(data, index=False)
    circuits_file(data).write_text(
        '[amplifier]\nkind = "inverting amplifier"\nreference = "1 V"\nfeedback = "20 kohm"\n'
        '[divider]\nkind = "voltage divider"\nreference = "3 V"\nresistor = "10 kohm"\n',
        encoding="utf-8",
    )
    for name in ("amplifier", "divider"):
        found = nominal(fit_file(data, circuit=name))
        assert found["exponent"] == pytest.approx(0.865, rel=1e-6)
    assert found["voltage_reference"] == pytest.approx(3.0 / (1 + 10e3 * found["sensitivity"]))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[amplifier", r"is not TOML.* Write one table for each circuit"),
        (
            '[amplifier]\nkind = "op-amp"',
            r"column 'amplifier': no such circuit \(got 'op-amp'\). Write kind = one of",
        ),
        (
            '[amplifier]\nkind = "inverting amplifier"\nreference = "1 V"\nfeedback = "20 kV"',
            "column 'amplifier.feedback': .*Write one value with its unit",
        ),
        (
            '[amplifier]\nkind = "inverting amplifier"\nreference = "1 V"\nresistor = "20 kohm"',
            "column 'amplifier.resistor': unknown key .*Keys are .*feedback",
        ),
        ('[amplifier]\nkind = "inverting amplifier"\nreference = "1 V"', "column 'amplifier': .*feedback"),
        (
            '[divider]\nkind = "voltage divider"\nreference = "1 V"\nresistor = "1 kohm"',
            "circuit.* amplifier",
        ),
    ],
)
def test_a_bad_description_of_circuits_is_refused(tmp_path: Path, text: str, message: str) -> None:
    """Each fault names the file, the key, the value and the mend."""
    data = tmp_path / "bench.csv"
    frame = bench().rename(columns={"conductance_S": "voltage_V"}).assign(circuit="amplifier")
    frame.to_csv(data, index=False)
    circuits_file(data).write_text(text, encoding="utf-8")
    with pytest.raises(BenchDataError, match=message):
        fit_file(data)


def test_voltages_without_their_circuit_are_refused(tmp_path: Path) -> None:
    """The message names the file to write, with its tables."""
    data = tmp_path / "bench.csv"
    bench().rename(columns={"conductance_S": "voltage_V"}).assign(circuit="amplifier").to_csv(
        data, index=False
    )
    with pytest.raises(BenchDataError, match=r"Write bench.circuits.toml beside the data.*\[amplifier\]"):
        fit_file(data)
    with pytest.raises(BenchDataError, match="there is no such file"):
        read_circuits(tmp_path / "none.toml")
