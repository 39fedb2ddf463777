"""What a case leaves unstated counts at a plausible band; what it states, 0 included, counts as stated."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from margin.case import Case, CaseError, load_case, read_case, with_changes
from margin.case.bands import SHIPPED, bands_for
from margin.case.schema import kinds_of
from margin.propagation.factors import factors_of
from tests.case.case_texts import BRIDGE, TABLES
from tests.pad_study import errors_of

NEEDED = "\n".join(f"[{name}]\n{body}\n" for name, body in TABLES.items() if name != "case")
STUDY = '[study]\nunits = 4000\nouter = 40\n[[calibration]]\nkind = "two-point"\n'
EFFECTS = (
    "hysteresis", "creep", "temperature_coefficient", "humidity_coefficient", "reload_scatter", "zero_return",
)  # fmt: skip
SMALL = {
    "sensor.hysteresis": "0.2 %", "sensor.creep": "0.1 %", "sensor.temperature_coefficient": "0.01 %/K",
    "sensor.humidity_coefficient": "0.002 %/%RH", "sensor.reload_scatter": "0.1 %", "sensor.zero_return": "0.02 %",
}  # fmt: skip
IDEAL_USE = {
    "use.temperature": "23 degC",
    "use.humidity": "50 %RH",
    "use.dwell": "1 s",
    "use.direction": "up",
}


def silent() -> Case:
    """A case that says nothing of the effects of its pad, nor of its use."""
    return read_case(f"{NEEDED}\n{STUDY}")


def names(case: Case) -> set[str]:
    """Quantities that are drawn, by name."""
    return {factor.quantity for factor in factors_of(case)}


def rms(case: Case) -> float:
    """Root mean square of the force error of its one option, N."""
    (errors,) = errors_of(case).values()
    return float(np.sqrt(np.mean(errors**2)))


def test_unstated_effects_are_drawn_and_listed_as_assumed() -> None:
    """Every effect of the pad and every condition of use takes part, marked by the origin of its band."""
    case = silent()
    assert {f"sensor.{key}" for key in EFFECTS if key not in ("reload_scatter", "zero_return")} <= names(case)
    assert {"use.temperature", "use.humidity", "use.dwell", "use.direction_draw"} <= names(case)
    assert {"sensor.reload_scatter", "sensor.reload_draw", "sensor.history_draw"} <= names(case)
    line = "sensor.hysteresis: 2 % to 10 % per common (unstated: plausible band, common practice, no source)"
    assert line in case.assumed
    assert "use.direction: either (unstated: plausible, common practice, no source)" in case.assumed
    assert not any(line.startswith("sensor.hysteresis") for line in case.defaults)


def test_error_of_a_silent_case_is_wider_than_with_small_measured_effects() -> None:
    """Silence costs more than measured small effects, and those more than none."""
    unstated = rms(silent())
    small = rms(with_changes(silent(), SMALL))
    ideal = rms(with_changes(silent(), dict.fromkeys(SMALL, 0) | IDEAL_USE))
    assert unstated > 3.0 * small
    assert small > 3.0 * ideal


def test_zero_restores_the_ideal_to_the_bit() -> None:
    """Every effect stated as 0 gives the errors of a case with all that is unstated at zero."""
    stated = with_changes(silent(), {**dict.fromkeys((f"sensor.{key}" for key in EFFECTS), 0), **IDEAL_USE})
    zero = with_changes(silent(), {"case.unstated": "zero", **IDEAL_USE})
    for name, errors in errors_of(zero).items():
        np.testing.assert_array_equal(errors, errors_of(stated)[name])
    assert not any("plausible" in line for line in (*stated.assumed, *zero.assumed))


@pytest.mark.parametrize("key", EFFECTS)
def test_each_effect_alone_is_stated_as_zero(key: str) -> None:
    """A plain 0 or a text "0" takes an effect out, whatever its unit, and leaves the others."""
    for zero in (0, "0"):
        case = with_changes(silent(), {f"sensor.{key}": zero})
        assert f"sensor.{key}" not in names(case)
        assert case.elements["sensor"].quantities[key].nominal == 0.0
        assert (
            sum("plausible band" in line for line in case.assumed)
            == sum("plausible band" in line for line in silent().assumed) - 1
        )


def test_a_temperature_of_plain_zero_is_refused() -> None:
    """0 is no temperature without its scale."""
    with pytest.raises(CaseError, match="temperature needs a unit"):
        with_changes(silent(), {"use.temperature": 0})


def test_ageing_counts_only_where_the_case_states_an_age() -> None:
    """A new unit has no ageing to be unsure of."""
    assert "sensor.ageing" not in names(silent())
    assert "sensor.ageing" in names(with_changes(silent(), {"use.age": "1000 h"}))


def test_conditions_that_all_state_a_temperature_leave_no_band_of_it() -> None:
    """What every named condition of use states is not unstated; what one leaves out is."""
    both = '\n[[use.condition]]\nname = "cold"\ntemperature = "0 degC"\n'
    both += '[[use.condition]]\nname = "warm"\ntemperature = "40 degC"\nhumidity = "80 %RH"\n'
    case = read_case(f"{NEEDED}\n{STUDY}{both}")
    assert not any(line.startswith("use.temperature") for line in case.assumed)
    assert any(line.startswith("use.humidity: 30 %RH to 70 %RH") for line in case.assumed)


def test_bridges_and_measured_curves_have_bands_of_their_own_kind() -> None:
    """A measured curve takes the bands of what its outputs are."""
    cell = 'kind = "strain-gauge bridge"\nrated_load = "60 N"\nrated_output = "2 mV/V"'
    bridge = read_case(
        f"{NEEDED}\n{STUDY}".replace(TABLES["sensor"], cell).replace(TABLES["circuit"], BRIDGE)
    )
    curve = 'kind = "tabulated"\noutput_kind = "ratio"\nloads = [0, 30, 60]\noutputs = [0.0, 0.001, 0.002]'
    table = read_case(
        f"{NEEDED}\n{STUDY}".replace(TABLES["sensor"], curve).replace(TABLES["circuit"], BRIDGE)
    )
    for case in (bridge, table):
        assert any(line.startswith("sensor.hysteresis: 0.02 % to 0.2 %") for line in case.assumed)
        assert {"sensor.creep", "sensor.zero_temperature_coefficient", "sensor.history_draw"} <= names(case)


def test_shipped_table_covers_every_kind_of_sensor() -> None:
    """No shipped kind of sensor is left without its effects."""
    kinds = set(tomllib.loads(SHIPPED.read_text(encoding="utf-8"))["sensor"])
    tabulated = {"tabulated conductance", "tabulated ratio"}
    own = {kind for kind, cls in kinds_of("sensor").items() if cls.__module__.startswith("margin.")}
    assert kinds == (own - {"tabulated"}) | tabulated


def with_table(folder: Path, table: str, unstated: str = "ours.toml") -> Case:
    """The silent case with a table of bands beside it."""
    (folder / "ours.toml").write_text(table, encoding="utf-8")
    path = folder / "case.toml"
    path.write_text(f'[case]\nunstated = "{unstated}"\n{NEEDED}\n{STUDY}', encoding="utf-8")
    return load_case(path)


def test_a_table_of_ones_own_goes_before_the_shipped_one(tmp_path: Path) -> None:
    """Its entries replace ours, 0 takes an effect out, and what it leaves out stays as shipped."""
    table = (
        '[sensor."thin film"]\nhysteresis = { value = "1 % to 2 % per unit", source = "our bench, 2024" }\n'
    )
    case = with_table(tmp_path, table + "creep = { value = 0 }\n")
    assert (
        "sensor.hysteresis: 1 % to 2 % per unit (unstated: plausible band, our bench, 2024)" in case.assumed
    )
    assert "sensor.creep" not in names(case)
    assert "sensor.temperature_coefficient" in names(case)
    assert "sensor.hysteresis" not in names(with_changes(case, {"case.unstated": "zero"}))


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ('[sensor."wet film"]\ncreep = { value = 0 }', r"\[sensor\] wet film: is not a kind that is known"),
        ('[sensor."thin film"]\ncrep = { value = 0 }', r"crep.*is not a quantity of this kind"),
        ('[sensor."thin film"]\ncreep = "1 % to 2 %"', r"creep.*is not a table with value and source"),
        ('[sensor."thin film"]\ncreep = { value = "1 N" }', r"creep.*write"),
        ('[sensor."thin film"]\nsensitivity = { value = "1 uS" }', r"sensitivity.*every case must state it"),
        ('[use]\ndirection = { value = "sideways" }', r"direction.*is none of the choices"),
        ('[use]\ndwell = { value = "1 s", source = 3 }', r"dwell.*its source is not a text"),
        ("[circuit]\noffset = { value = 0 }", r"circuit.*is not a table of bands"),
        ("[sensor]\ncreep = 3", r"creep.*is not a table of bands"),
        ("[sensor", r"ours.toml: is not TOML"),
    ],
)
def test_bad_tables_are_refused_by_file_and_key(tmp_path: Path, table: str, message: str) -> None:
    """One message with the file of bands, the key, the reason and the fix."""
    with pytest.raises(CaseError, match=message) as caught:
        with_table(tmp_path, table)
    assert "ours.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("unstated", "message"),
    [
        (
            "nothing",
            'is neither of the two words nor a TOML file; write "plausible bands", "zero", or a file',
        ),
        ("none.toml", "there is no such file"),
    ],
)
def test_unknown_words_and_missing_files_are_refused(tmp_path: Path, unstated: str, message: str) -> None:
    """The case's own key is named."""
    with pytest.raises(CaseError, match=message) as caught:
        with_table(tmp_path, "", unstated)
    assert f'[case] unstated = "{unstated}"' in str(caught.value)


def test_bands_are_within_reason_of_the_kind() -> None:
    """Bands of a film are at least ten times as wide as those of a bridge (common practice, no source)."""
    bands = bands_for("plausible bands", None, "case")
    film = bands.of("sensor", "thin film", {}, ())
    bridge = bands.of("sensor", "strain-gauge bridge", {}, ())
    for key in ("hysteresis", "creep", "reload_scatter", "zero_return"):
        wide, narrow = film[key].quantity, bridge[key].quantity
        assert wide is not None and narrow is not None
        assert wide.spreads[0].distribution.sd > 10.0 * narrow.spreads[0].distribution.sd
