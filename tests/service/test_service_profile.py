"""Service profile of a case: what it states, what it stands for, and what is refused of it."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from aged_pad import PAD, K, error
from device_on_host import host_device
from pad_study import NONE, ONE_POINT, only, pad_case

import margin
from margin.backends.run import run
from margin.case.faults import CaseError
from margin.case.service_profile import ServiceProfile
from margin.case.types import Case
from margin.propagation.plan import plan_of
from margin.service.over_age import over_age

AGED = {
    **PAD,
    "ageing": "1 %",
    "cycle_loss": "2 %",
    "sustained_creep": "0.5 %",
    "ageing_activation": "0.7 eV",
}


def rate(energy: float, temperature: float) -> float:
    """Arrhenius from 25 degC, written out."""
    return math.exp(energy / K * (1.0 / 298.15 - 1.0 / (temperature + 273.15)))


def spread_case(**tables: dict[str, Any]) -> Case:
    """A pad whose ageing differs between units."""
    sensor = {**AGED, "ageing": "1 % +/- 0.4 %", "cycle_loss": "2 % +/- 1 %"}
    return pad_case(
        ONE_POINT, sensor=sensor, load={"check": ["20 N", "45 N"]}, study={"units": 300, "outer": 1, "seed": 3},
        **tables,
    )  # fmt: skip


def test_one_load_and_one_temperature_are_the_keys_of_use_to_the_bit() -> None:
    """A profile of one load, that to which cycle effects are stated, and of one temperature states nothing else."""
    use = {"cycles_per_hour": 100, "duty": "30 %", "service_temperature": "45 degC", "age": "4000 h"}
    service = {
        "cycles_per_day": 2400, "loads": ["60 N for 100 %"], "temperatures": ["45 degC for 100 %"], "duty": "30 %",
        "years": 3,
    }  # fmt: skip
    by_keys, by_profile = (
        spread_case(use=use),
        spread_case(use={"age": "4000 h"}, service=service),
    )
    assert np.array_equal(only(by_keys, 300), only(by_profile, 300))
    stated, profiled = (
        over_age(case, "one-point", ages=[9000.0], units=100, workers=1) for case in (by_keys, by_profile)
    )
    assert [each.errors for each in stated.ages] == [each.errors for each in profiled.ages]


def test_a_profile_that_states_no_cause_of_ageing_changes_nothing() -> None:
    """The years alone leave every number as it is without a profile, to the bit."""
    use = {"age": "4000 h", "service_temperature": "45 degC"}
    assert np.array_equal(
        only(spread_case(use=use), 300), only(spread_case(use=use, service={"years": 7}), 300)
    )


def test_the_profile_of_the_guide_is_read() -> None:
    """The table that the guide explains is one that a case takes."""
    guide = Path(margin.__file__).with_name("guide") / "service.md"
    block = next(
        each for each in guide.read_text(encoding="utf-8").split("```toml\n") if each.startswith("[service]")
    )
    found = pad_case(NONE, service=tomllib.loads(block.partition("```")[0])["service"]).service
    assert found is not None and found.years == 5.0 and len(found.loads) == len(found.temperatures) == 2


def test_hours_over_two_temperatures_are_the_weighted_mean_of_their_rates() -> None:
    """70 % at 20 degC and 30 % at 60 degC: the mean of the rates, which is not the rate at the mean temperature."""
    sensor = {**PAD, "ageing": "1 %", "ageing_activation": "0.7 eV"}
    service = {"temperatures": ["20 degC for 70 %", "60 degC for 30 %"]}
    found = error(sensor=sensor, use={"age": "5000 h"}, service=service)
    mean = 0.7 * rate(0.7, 20.0) + 0.3 * rate(0.7, 60.0)
    assert found == pytest.approx(-0.01 * math.log10(1.0 + 5000.0 * mean), rel=1e-9)
    at_mean = rate(0.7, 0.7 * 20.0 + 0.3 * 60.0)
    assert mean > 2.0 * at_mean


def test_the_chain_ages_by_the_factors_of_arrhenius() -> None:
    """NIST/SEMATECH e-Handbook, 8.1.5.1: from 25 to 125 degC 133 times at 0.5 eV and 17,600 times at 1 eV (memory)."""
    for energy, factor in (("0.5 eV", 133.0), ("1 eV", 17_600.0)):
        sensor = {**PAD, "ageing": "1 %", "ageing_activation": energy}
        found = error(sensor=sensor, use={"age": "1000 h", "service_temperature": "125 degC"})
        assert (10.0 ** (-100.0 * found) - 1.0) / 1000.0 == pytest.approx(factor, rel=4e-3)


def test_films_over_two_temperatures_drift_by_their_mean_rate() -> None:
    """Drift doubles in 30 K and in eight times the time: an hour at +30 K counts as eight (common practice)."""
    circuit = {
        "kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm", "feedback_ageing": "0.1 %",
        "resistor_drift": "film",
    }  # fmt: skip
    service = {"temperatures": ["25 degC for 50 %", "55 degC for 50 %"]}
    found = error(circuit=circuit, use={"age": "2000 h"}, service=service)
    assert found == pytest.approx(0.001 * (0.5 * 2000.0 * (1.0 + 8.0) / 1000.0) ** (1.0 / 3.0), rel=1e-9)


@pytest.mark.parametrize("exponent", [0.0, 1.0, 3.0])
def test_load_cycles_count_by_their_load(exponent: float) -> None:
    """90 % to 15 N and 10 % to 60 N, of effects stated to 60 N: 0.9 (15 / 60)^p + 0.1 of the cycles."""
    service = {"cycles_per_day": 2400, "loads": ["15 N for 90 %", "60 N for 10 %"]}
    use = {"age": "1000 h", "cycle_load_exponent": exponent}
    found = error(sensor={**PAD, "cycle_loss": "2 %"}, use=use, service=service)
    counted = 100.0 * 1000.0 * (0.9 * 0.25**exponent + 0.1)
    assert found == pytest.approx(-0.02 * math.log10(1.0 + counted), rel=1e-9)


def test_cycles_to_another_load_count_by_that_load() -> None:
    """Effects stated to 30 N count a cycle to 60 N twice; without a histogram of loads all cycles count alike."""
    sensor = {**PAD, "cycle_loss": "2 %"}
    service = {"cycles_per_day": 2400, "loads": ["60 N for 100 %"], "cycle_load": "30 N"}
    found = error(sensor=sensor, use={"age": "1000 h"}, service=service)
    assert found == pytest.approx(-0.02 * math.log10(1.0 + 200_000.0), rel=1e-9)
    alike = error(sensor=sensor, use={"age": "1000 h"}, service={"cycles_per_day": 2400})
    assert alike == pytest.approx(-0.02 * math.log10(1.0 + 100_000.0), rel=1e-9)


def test_storage_before_use_and_before_calibration() -> None:
    """Storage ages what a calibration has seen no more; a unit calibrated after it is new to its readings."""
    sensor = {**PAD, "ageing": "1 %", "ageing_activation": "0.7 eV"}
    service = {"storage": "3000 h at 40 degC"}
    stored = 3000.0 * rate(0.7, 40.0)
    found = error(sensor=sensor, service=service)
    assert found == pytest.approx(-0.01 * math.log10(1.0 + stored), rel=1e-9)
    use = {"age": "1000 h", "service_temperature": "60 degC"}
    both = error(sensor=sensor, use=use, service=service)
    assert both == pytest.approx(-0.01 * math.log10(1.0 + stored + 1000.0 * rate(0.7, 60.0)), rel=1e-9)
    after = error(
        {**ONE_POINT, "loads": ["20 N"]}, sensor=sensor, service={**service, "storage_before": "calibration"}
    )
    assert after == pytest.approx(0.0, abs=1e-9)
    before = error({**ONE_POINT, "loads": ["20 N"]}, sensor=sensor, service=service)
    assert before == pytest.approx(-0.01 * math.log10(1.0 + stored), rel=1e-6)


def test_storage_drifts_films_and_references() -> None:
    """1000 h of storage at 55 degC are those of a film; a reference takes 1000 h by the root of time."""
    service = {"storage": "1000 h at 55 degC"}
    circuit = {
        "kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm", "feedback_ageing": "0.1 %",
        "resistor_drift": "film",
    }  # fmt: skip
    assert error(circuit=circuit, service=service) == pytest.approx(0.002, rel=1e-9)
    by_root = {**circuit, "resistor_drift": "root of time"}
    assert error(circuit=by_root, service=service) == pytest.approx(0.001, rel=1e-9)


def test_a_recalibration_in_the_field_comes_after_storage() -> None:
    """A unit recalibrated in the field has seen its storage, though it was calibrated before it."""
    sensor = {**PAD, "ageing": "1 %"}
    case = pad_case(
        ONE_POINT, sensor=sensor, service={"storage": "9999 h at 25 degC"}, load={"check": ["31 N"]},
        study={"units": 100, "outer": 1},
    )  # fmt: skip
    study = over_age(case, "one-point", ages=[500.0, 501.0], every=500.0, workers=1)
    assert study.ages[0].errors[1].value < -0.5
    # 10 499 h at the recalibration and 10 500 h in use differ by far less than a thousandth of the loss
    recalibrated = next(each for each in study.fields if each.name.startswith("one-point"))
    assert recalibrated.yields[-1].sampled.value == 1.0


def test_a_spread_of_the_load_cycles_is_that_of_the_hourly_ones() -> None:
    """Shares and differences of the cycles a day are those of the cycles an hour."""
    for day, hour in (
        ("2400 +/- 20 % per common", "100 +/- 20 % per common"),
        ("2400 +/- 240", "100 +/- 10"),
    ):
        profile = (
            pad_case(NONE, service={"cycles_per_day": day}).elements["use"].quantities["cycles_per_hour"]
        )
        plain = pad_case(NONE, use={"cycles_per_hour": hour}).elements["use"].quantities["cycles_per_hour"]
        assert profile.nominal == plain.nominal
        assert [each.relative for each in profile.spreads] == [each.relative for each in plain.spreads]
        assert profile.spreads[0].distribution.sd == pytest.approx(
            plain.spreads[0].distribution.sd, rel=1e-12
        )


def test_bands_hold_with_a_profile() -> None:
    """Effects of load cycles and of hours under load have plausible bands where the profile states their cause."""
    stated = {"cycles_per_day": 2400, "duty": "20 %", "years": 5}
    case = pad_case(NONE, case={"unstated": "plausible bands"}, service=stated)
    quantities = case.elements["sensor"].quantities
    assert all(quantities[key].spreads for key in ("cycle_loss", "conditioning", "sustained_creep"))
    curve = {"kind": "tabulated", "loads": ["2 N", "60 N"], "outputs": ["1 uS", "12 uS"]}
    for service, held in ((stated, True), ({}, False)):
        tables = {"service": service} if service else {"use": {"age": "1000 h", "cycles_per_hour": 100}}
        case = pad_case(NONE, case={"unstated": "plausible bands"}, sensor=curve, **tables)
        quantities = case.elements["sensor"].quantities
        keys = ("ageing", "cycle_loss", "conditioning", "sustained_creep")
        assert [bool(quantities[key].spreads) for key in keys] == [held] * 4


def test_a_case_says_how_it_read_its_profile() -> None:
    """A line each for load cycles, loads, temperatures and storage."""
    service = {
        "cycles_per_day": 2400, "loads": ["15 N for 90 %", "60 N for 10 %"], "storage": "2000 h at 35 degC",
        "temperatures": ["20 degC for 70 %", "60 degC for 30 %"],
    }  # fmt: skip
    said = "\n".join(pad_case(NONE, service=service).readings)
    assert "service.cycles_per_day: 2400 load cycles, use.cycles_per_hour = 100" in said
    assert "15 N for 90 %, 60 N for 10 %; each load cycle counts as (load / 60 N) to the power of" in said
    assert "service.temperatures: 20 degC for 70 %, 60 degC for 30 %; the rates" in said
    assert "service.storage: 2000 h at 35 degC before use; parts age" in said


def test_shares_that_miss_the_whole_by_rounding_are_divided_by_their_sum() -> None:
    """Three of 33.3 % are all of it."""
    texts = [f"{load} N for 33.3 %" for load in (10, 20, 30)]
    profile = pad_case(NONE, service={"cycles_per_day": 10, "loads": texts}).service
    assert profile is not None and [share for _, share in profile.loads] == pytest.approx([1.0 / 3.0] * 3)
    assert float(ServiceProfile(loads=profile.loads, cycle_load=20.0).weight(1.0)) == pytest.approx(1.0)


BAD: dict[str, tuple[dict[str, Any], str]] = {
    "cycles stated twice": (
        {"use": {"cycles_per_hour": 10}, "service": {"cycles_per_day": 240}},
        "case: [use] cycles_per_hour = 10: the case has a service profile too, [service]; leave it out and write "
        "cycles_per_day in [service], or leave [service] out",
    ),
    "temperature of a condition": (
        {"use": {"condition": [{"name": "hot", "service_temperature": "60 degC"}]},
         "service": {"temperatures": ["25 degC for 100 %"]}},
        'case: [use.condition 1] service_temperature = "60 degC": the case has a service profile too, [service]; leave '
        "it out and write temperatures in [service], or leave [service] out",
    ),
    "shares of less than all": (
        {"service": {"cycles_per_day": 240, "loads": ["10 N for 50 %", "20 N for 40 %"]}},
        'case: [service] loads = ["10 N for 50 %", "20 N for 40 %"]: the shares sum to 90 %; write shares that sum to '
        "100 %",
    ),
    "no share": (
        {"service": {"temperatures": ["25 degC"]}},
        'case: [service] temperatures 1 = "25 degC": is no value with its share; write such as "35 degC for 60 %": a '
        "temperature and its share of the time",
    ),
    "a load in another unit": (
        {"service": {"cycles_per_day": 240, "loads": ["10 uS for 100 %"]}},
        'case: [service] loads 1 = "10 uS for 100 %": "uS" is a unit of conductance, force is needed; write for '
        'example "10 N"',
    ),
    "no load": (
        {"service": {"cycles_per_day": 240, "loads": ["0 N for 100 %"]}},
        'case: [service] loads 1 = "0 N for 100 %": a load cycle reaches a load above 0 N; write such as "20 N for '
        '70 %": a load and its share of the load cycles',
    ),
    "twice the same": (
        {"service": {"temperatures": ["25 degC for 50 %", "25 degC for 50 %"]}},
        'case: [service] temperatures 2 = "25 degC for 50 %": stands there twice; add the shares of both',
    ),
    "too cold": (
        {"service": {"temperatures": ["-300 degC for 100 %"]}},
        'case: [service] temperatures 1 = "-300 degC for 100 %": lies below absolute zero, -273.15 degC; write such as '
        '"35 degC for 60 %": a temperature and its share of the time',
    ),
    "loads without cycles": (
        {"service": {"loads": ["10 N for 100 %"]}},
        'case: [service] loads = ["10 N for 100 %"]: has no effect without cycles_per_day; write cycles_per_day, or '
        "leave loads out",
    ),
    "storage without temperature": (
        {"service": {"storage": "2000 h"}},
        'case: [service] storage = "2000 h": is no time at a temperature; write for example "2000 h at 35 degC"',
    ),
    "storage of nothing": (
        {"service": {"storage_before": "use"}},
        'case: [service] storage_before = "use": has no effect without storage; write storage, or leave storage_before '
        "out",
    ),
    "duty above all of the time": (
        {"service": {"duty": "120 %"}},
        'case: [service] duty = "120 %": must be at most 1 (got 1.2); write for example "1"',
    ),
    "negative cycles": (
        {"service": {"cycles_per_day": -5}},
        'case: [service] cycles_per_day = -5: must be at least 0 (got -5); write for example "0"',
    ),
    "too long": ({"service": {"years": 200}}, "case: [service] years = 200: must be at most 100.0"),
    "nothing": (
        {"service": {}},
        "case: [service]: the service profile is empty; write such as years = 5, or leave the table out",
    ),
    "misspelt": (
        {"service": {"cycles_a_day": 10}},
        'case: [service] cycles_a_day = 10: unknown key; did you mean "cycles_per_day"?',
    ),
    "an energy in volts": (
        {"sensor": {**PAD, "ageing_activation": "0.7 V"}},
        'case: [sensor] ageing_activation = "0.7 V": "V" is a unit of voltage, energy is needed; write for example '
        '"0.7 eV"',
    ),
}  # fmt: skip


@pytest.mark.parametrize(("tables", "message"), BAD.values(), ids=BAD)
def test_bad_profiles_have_one_clear_message(tables: dict[str, Any], message: str) -> None:
    """File, table, key, value, why, and the mend."""
    with pytest.raises(CaseError) as caught:
        pad_case(NONE, **tables)
    assert str(caught.value) == message


def test_kernels_count_a_profile_alike(tmp_path: Path) -> None:
    """Drawn activation energy, exponent, cycles and duty over histograms: the same counts of units by array operations,
    by a compiled kernel and by the kernel of an accelerator, compiled for the processor."""
    sensor = {
        **PAD, "ageing": "0.5 % +/- 0.3 %", "ageing_activation": "0.6 eV +/- 0.2 eV", "cycle_loss": "0.5 % +/- 0.3 %",
        "sustained_creep": "0.3 % +/- 0.3 %", "zero_ageing": "0 uS +/- 0.01 uS",
    }  # fmt: skip
    circuit = {
        "kind": "inverting amplifier", "reference": "1.2 V", "reference_ageing": "0 % +/- 0.2 %",
        "reference_activation": "0.3 eV +/- 0.1 eV", "feedback": "60 kohm", "feedback_ageing": "0 % +/- 0.5 %",
        "resistor_drift": "film",
    }  # fmt: skip
    service = {
        "cycles_per_day": "2400 +/- 20 %", "loads": ["15 N for 90 %", "60 N for 10 %"], "duty": "10 % to 50 %",
        "temperatures": ["10 degC for 50 %", "50 degC for 50 %"], "storage": "2000 h at 35 degC",
    }  # fmt: skip
    converter = {
        "bits": 14, "reference": "absolute", "full_scale": "1.2 V", "reference_ageing": "0 % +/- 0.2 %",
        "reference_activation": "0.4 eV",
    }  # fmt: skip
    case = pad_case(
        ONE_POINT, sensor=sensor, circuit=circuit, converter=converter, service=service,
        use={"age": "0 h to 9000 h", "cycle_load_exponent": "1 +/- 0.5 per condition"},
        station={"age": "10 h to 100 h"}, requirement={"permissible_error": "4 % of reading"},
        study={"units": 800, "outer": 1, "draw": "all units"},
    )  # fmt: skip
    plain, kernel = (run(case, plan=plan_of(case), workers=1, compiled=way) for way in (False, True))
    assert kernel.path == "kernel"
    assert np.array_equal(plain.tallies["one-point"].within, kernel.tallies["one-point"].within)
    device = run(case, device=host_device(tmp_path))
    assert device.path == "device"
    assert np.array_equal(plain.tallies["one-point"].within, device.tallies["one-point"].within)
    assert 50 < plain.tallies["one-point"].within[:, 2].sum() < 750


def test_workers_change_nothing() -> None:
    """One and two workers count the same units over age, as for a case without a profile."""
    service = {
        "cycles_per_day": 2400,
        "temperatures": ["20 degC for 70 %", "60 degC for 30 %"],
        "duty": "20 %",
    }
    case = spread_case(service=service)
    one, two = (over_age(case, "one-point", ages=[5000.0], workers=workers, block=70) for workers in (1, 2))
    assert [each.errors for each in one.ages] == [each.errors for each in two.ages]
    assert np.array_equal(one.passages.first, two.passages.first)


def test_a_change_of_the_profile_reads_it_anew() -> None:
    """A key of the profile can be changed as any other."""
    case = pad_case(NONE, service={"cycles_per_day": 240})
    changed = margin.change(case, {"service.cycles_per_day": 480, "service.years": 2})
    assert changed.elements["use"].quantities["cycles_per_hour"].nominal == 20.0
    assert changed.service is not None and changed.service.years == 2.0
