"""Ageing of the parts of the chain: sustained creep, wear, friction, activation energies, tabulated sensors."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from aged_pad import PAD, K, error
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import ONE_POINT, pad_case
from scipy.integrate import quad

from margin.backends.run import run
from margin.chain.interface import ConcentratorInterface
from margin.chain.laws import arrhenius, film_hours, film_of_time
from margin.chain.sensors.ageing import aged
from margin.chain.sensors.thin_film import ThinFilm
from margin.chain.setting import Setting
from margin.propagation.plan import plan_of
from margin.service.acceleration import arrhenius_factor

CELL = {"kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "2 mV/V"}
CURVE = {
    "kind": "tabulated",
    "loads": ["0 N", "60 N"],
    "outputs": ["0 uS", "12 uS"],
    "interpolation": "straight",
}
AMPLIFIER = {
    "kind": "bridge amplifier",
    "reference": "5 V",
    "gain_resistor": "200 ohm",
    "internal_resistor": "50 kohm",
}


@pytest.mark.parametrize(
    ("sensor", "circuit"),
    [(PAD, {}), (CELL, AMPLIFIER), (CURVE, {})],
    ids=["film", "bridge", "curve"],
)
def test_sustained_creep_grows_by_decades_of_hours_under_load(
    sensor: dict[str, Any], circuit: dict[str, Any]
) -> None:
    """0.4 % a decade of 25 % of 4000 h: 1.2 % by 1000 h under load; none where the time under load is not stated."""
    tables = {"sensor": {**sensor, "sustained_creep": "0.4 %"}} | ({"circuit": circuit} if circuit else {})
    found = error(**tables, use={"age": "4000 h", "duty": "25 %"})
    assert found == pytest.approx(0.004 * math.log10(1001.0), rel=1e-6)
    assert error(**tables, use={"age": "4000 h"}) == pytest.approx(0.0, abs=1e-12)


def test_sustained_creep_is_apart_from_that_of_a_placement() -> None:
    """Their factors multiply: 1 % per decade of 100 s under this load, 0.5 % per decade of 999 h under loads."""
    sensor = {**PAD, "creep": "1 %", "sustained_creep": "0.5 %"}
    found = error(
        sensor=sensor,
        use={"age": "999 h", "duty": "100 %", "dwell": "100 s"},
        design_curve={"dwell": "1 s"},
    )
    assert found == pytest.approx(1.02 * 1.015 - 1.0, rel=1e-9)


def test_tabulated_sensors_age_as_films_do() -> None:
    """A straight curve with every ageing of a film of the same line: the same error."""
    ageing = {
        "ageing": "1 %", "ageing_activation": "0.5 eV", "cycle_loss": "0.5 %", "conditioning": "2 %",
        "conditioning_cycles": 5000, "sustained_creep": "0.3 %",
    }  # fmt: skip
    use = {"age": "2000 h", "cycles_per_hour": 10, "duty": "40 %", "service_temperature": "45 degC"}
    film = error(sensor={**PAD, **ageing, "zero_ageing": "0.012 uS"}, use=use)
    curve = error(sensor={**CURVE, **ageing, "zero_ageing": "0.1 %"}, use=use)
    assert curve == pytest.approx(film, rel=1e-9)
    rate = math.exp(0.5 / K * (1.0 / 298.15 - 1.0 / 318.15))
    left = (1.0 - 0.01 * math.log10(1.0 + 2000.0 * rate)) * (1.0 - 0.005 * math.log10(20_001.0))
    left *= (1.0 - 0.02 * (1.0 - math.exp(-4.0))) * (1.0 + 0.003 * math.log10(801.0))
    shift = 0.012 * math.log10(1.0 + 2000.0 * rate) / 4.0
    assert curve == pytest.approx(left + shift - 1.0, rel=1e-9)


@pytest.mark.parametrize(("energy", "factor"), [(0.5, 133.0), (1.0, 17_600.0)])
def test_the_law_of_the_chain_between_25_and_125_degrees(energy: float, factor: float) -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1 (from memory), as in the acceleration of a test."""
    assert float(arrhenius(energy, 125.0, 25.0)) == pytest.approx(factor, rel=4e-3)
    setting = Setting(age=10.0, service_temperature=125.0)
    assert float(setting.aged_hours(energy)) == pytest.approx(10.0 * factor, rel=4e-3)


@given(st.floats(0.0, 1.5), st.floats(-40.0, 150.0), st.floats(-20.0, 60.0))
def test_one_law_of_arrhenius_in_chain_and_acceleration(energy: float, service: float, base: float) -> None:
    """The law of the chain is that of `margin.service.acceleration`."""
    assert float(arrhenius(energy, service, base)) == pytest.approx(
        arrhenius_factor(energy, base, service), rel=1e-8
    )


@given(st.floats(0.0, 1.2), st.floats(0.0, 20_000.0), st.floats(0.0, 20_000.0))
@settings(max_examples=30)
def test_hours_add_up_over_temperatures(energy: float, first: float, second: float) -> None:
    """Hours at one temperature and then at another are those of a profile that is half each, as ageing adds up."""
    profile = ((20.0, 0.5), (50.0, 0.5))
    both = Setting(age=2.0 * first, service_temperatures=profile).aged_hours(energy)
    apart = [Setting(age=first, service_temperature=at).aged_hours(energy) for at, _ in profile]
    assert float(both) == pytest.approx(float(apart[0] + apart[1]), rel=1e-12)
    stored = Setting(age=first, service_temperature=50.0, stored=second, storage_temperature=20.0)
    alone = Setting(age=second, service_temperature=20.0)
    assert float(stored.aged_hours(energy)) == pytest.approx(
        float(apart[1] + alone.aged_hours(energy)), rel=1e-12, abs=1e-300
    )


def test_a_mean_over_temperatures_is_an_integral_of_the_rate() -> None:
    """A day with a sine of temperature in many steps ages as the integral of the rate over it (quadrature)."""

    def temperature(time: float) -> float:
        return 30.0 + 20.0 * math.sin(2.0 * math.pi * time)

    steps = tuple((temperature((k + 0.5) / 48.0), 1.0 / 48.0) for k in range(48))
    found = Setting(age=1000.0, service_temperatures=steps).aged_hours(0.8)
    mean, _ = quad(lambda t: math.exp(0.8 / K * (1.0 / 298.15 - 1.0 / (temperature(t) + 273.15))), 0.0, 1.0)
    assert float(found) == pytest.approx(1000.0 * mean, rel=1e-6)


def test_hours_of_films_follow_from_their_drift() -> None:
    """An hour at a temperature stands for the hours at the reference temperature that bring the same drift."""
    hours = 700.0 * float(film_hours(61.0, 25.0))
    assert float(film_of_time(hours, 25.0, 25.0)) == pytest.approx(
        float(film_of_time(700.0, 61.0, 25.0)), rel=1e-12
    )


@given(st.floats(0.0, 1e6), st.floats(-40.0, 125.0))
def test_without_a_profile_hours_are_the_age_to_the_bit(age: float, temperature: float) -> None:
    """Neither activation energy nor storage nor several temperatures: the age itself, and the plain law of films."""
    setting = Setting(age=age, service_temperature=temperature)
    assert setting.aged_hours() == age
    assert setting.film_drift() == film_of_time(age, temperature, 25.0)


@pytest.mark.parametrize("part", ["circuit", "converter"])
def test_references_drift_by_their_activation_energy(part: str) -> None:
    """0.1 % over 1000 h with the root of time; at 55 degC and 0.6 eV as after 1000 h times Arrhenius' factor."""
    drift = {"reference_ageing": "0.1 %", "reference_activation": "0.6 eV"}
    circuit = {"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm"}
    converter = {"bits": 0, "reference": "absolute", "full_scale": "1.2 V"}
    tables = {"circuit": circuit, "converter": converter}
    tables[part] = {**tables[part], **drift}
    rate = math.exp(0.6 / K * (1.0 / 298.15 - 1.0 / 328.15))
    moved = 1.0 + 0.001 * math.sqrt(2.0 * rate)
    # the drive makes the signal larger, the reference of the converter makes its code smaller
    expected = moved - 1.0 if part == "circuit" else 1.0 / moved - 1.0
    found = error(**tables, use={"age": "2000 h", "service_temperature": "55 degC"})
    assert found == pytest.approx(expected, rel=1e-6)


def puck(**values: Any) -> dict[str, Any]:
    """A load concentrator with these values."""
    return {"kind": "load concentrator", **values}


def test_an_interface_wears_by_decades_of_cycles() -> None:
    """1 % of the load share a decade of 10^5 cycles; what it has lost is found by a calibration of the aged unit."""
    use = {"age": "1000 h", "cycles_per_hour": 100}
    found = error(interface=puck(wear="1 %"), use=use)
    assert found == pytest.approx(-0.01 * math.log10(100_001.0), rel=1e-9)
    option = {**ONE_POINT, "loads": ["20 N"]}
    again = error(option, interface=puck(wear="1 %"), use=use, station={"age": "1000 h"})
    assert again == pytest.approx(0.0, abs=1e-9)
    assert error(interface=puck(wear="1 %"), use={"age": "1000 h"}) == pytest.approx(0.0, abs=1e-12)


def test_a_worn_area_moves_a_film_that_answers_to_pressure() -> None:
    """A film with n = 0.8 integrates pressure^n: an area 6 % larger raises it by 1.06^0.2, and the load read from it by
    that to the power of 1 / 0.8."""
    interface = puck(area_wear="2 %", concentrator_radius="5 mm", sensing_radius="6 mm")
    sensor = {**PAD, "exponent": 0.8}
    found = error(interface=interface, sensor=sensor, use={"age": "999 h", "cycles_per_hour": 1})
    assert found == pytest.approx(1.06**0.25 - 1.0, rel=1e-9)
    straight = error(interface=interface, use={"age": "999 h", "cycles_per_hour": 1})
    assert straight == pytest.approx(0.0, abs=1e-12)


def test_friction_grows_with_cycles_on_both_branches() -> None:
    """1 % and 0.5 % a decade of 999 cycles: 2.5 % less on the way up, as much more on the way down, of a new guide's
    1 % the firmware knows."""
    interface = puck(friction="1 %", friction_growth="0.5 %")
    use = {"age": "999 h", "cycles_per_hour": 1}
    assert error(interface=interface, use=use) == pytest.approx(0.975 / 0.99 - 1.0, rel=1e-9)
    down = error(interface=interface, use={**use, "direction": "down"})
    assert down == pytest.approx(1.025 / 0.99 - 1.0, rel=1e-9)
    assert error(interface=interface) == pytest.approx(0.0, abs=1e-12)


@given(st.floats(0.0, 0.3), st.floats(0.0, 0.2), st.floats(0.0, 1e9), st.floats(0.1, 60.0))
@settings(max_examples=40)
def test_loads_before_grown_friction_are_found_again(
    friction: float, growth: float, cycles: float, load: float
) -> None:
    """The load behind a force on the falling branch is that which brought it, but where friction holds the peak."""
    interface = ConcentratorInterface(friction=friction, friction_growth=growth)
    setting = Setting(peak=60.0, cycles=cycles, descending=1.0)
    force = interface.transmit(load, setting).force
    found = interface.load_on_branch(force, setting)
    held = interface.transmit(60.0, setting).force
    assert float(found) == pytest.approx(load, rel=1e-9) or float(force) == pytest.approx(
        float(held), rel=1e-9
    )


def test_ageing_never_turns_on_without_service() -> None:
    """A new unit that was never stored, loaded or cycled is as it was made, whatever its ageing."""
    sensor = ThinFilm(
        sensitivity=4e-6, reference_load=20.0, ageing=0.1, ageing_activation=0.7, cycle_loss=0.1, conditioning=0.1,
        sustained_creep=0.1,
    )  # fmt: skip
    assert aged(1.0, sensor, Setting(service_temperature=80.0)) == 1.0


def test_a_kernel_computes_wear_and_tabulated_ageing_alike() -> None:
    """Wear, growing friction, and every ageing of a curve: the same counts of units by arrays and by a kernel."""
    interface = puck(
        wear="0.2 % +/- 0.2 %", area_wear="0 +/- 0.5 %", friction="1 %", friction_growth="0.1 % to 0.4 % per unit",
        concentrator_radius="5 mm", sensing_radius="6 mm",
    )  # fmt: skip
    sensor = {
        **CURVE, "ageing": "0.3 % +/- 0.3 %", "ageing_activation": "0.5 eV +/- 0.2 eV", "cycle_loss": "0.2 % +/- 0.2 %",
        "conditioning": "1 % +/- 1 %", "zero_ageing": "0 +/- 0.05 %", "sustained_creep": "0.2 % +/- 0.2 %",
    }  # fmt: skip
    use = {"age": "10 h to 9000 h", "cycles_per_hour": 60, "duty": "10 % to 60 %", "direction": "either"}
    case = pad_case(
        ONE_POINT, interface=interface, sensor=sensor, use={**use, "service_temperature": "45 degC"},
        requirement={"permissible_error": "6 % of reading"}, study={"units": 800, "outer": 1, "draw": "all units"},
    )  # fmt: skip
    plain, kernel = (run(case, plan=plan_of(case), workers=1, compiled=way) for way in (False, True))
    assert kernel.path == "kernel"
    assert np.array_equal(plain.tallies["one-point"].within, kernel.tallies["one-point"].within)
    assert 50 < plain.tallies["one-point"].within[:, 2].sum() < 750
