"""Cases under hard knocks: names, encodings, depth, counts and measured curves that cannot be meant."""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import pytest
from case_texts import case_text

from margin.case.faults import CaseError, Fault
from margin.case.limits import MOST_DEPTH, deeper_than
from margin.case.load import load_case, read_case

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import mutated_cases

CURVE = 'kind = "tabulated"\nloads = {loads}\noutputs = {outputs}'


def message(text: str) -> str:
    """What a text is refused with."""
    with pytest.raises(CaseError) as refused:
        read_case(text)
    return str(refused.value)


@pytest.mark.parametrize(
    "name",
    ["$x_1^2$", "_x", "\\\\frac{", "=1+1", "مرحبا", "力 😀", "<b>&amp;", "[bold]", "a/b\\\\c:*?", "x" * 80],
)
def test_names_of_any_script_and_sign_are_read(name: str) -> None:
    """Case, option and condition may be called anything that stands in one line."""
    more = f'[[use.condition]]\nname = "{name}"\n[[calibration]]\nkind = "none"\nname = "{name}"\n'
    case = read_case(case_text(more, case=f'name = "{name}"'))
    shown = name.replace("\\\\", "\\")
    assert (case.name, case.conditions[0].name, case.calibrations[0].name) == (shown, shown, shown)


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("a\\nb", "contains a line break, at place 2"),
        ("a\\tb", "contains a tab, at place 2"),
        ("\\u001b[31m", "contains a control character (U+001B), at place 1"),
        ("\\u0000", "contains a control character (U+0000), at place 1"),
        ("a\\u2028", "contains a line break, at place 2"),
        ("\\u202Etxt", "turns the direction of text (U+202E), at place 1"),
    ],
)
def test_names_that_break_a_line_are_refused(written: str, told: str) -> None:
    """A line break or control character in a name is one clear message of one line, in each of the three places."""
    for text in (
        case_text(case=f'name = "{written}"'),
        case_text(f'[[calibration]]\nkind = "none"\nname = "{written}"\n'),
        case_text(f'[[use.condition]]\nname = "{written}"\n'),
    ):
        found = message(text)
        assert told in found
        assert found.count("\n") == 0
        assert found.isprintable()


def test_a_name_too_long_is_refused() -> None:
    """80 characters name an option or condition, 200 a case."""
    assert "write at most 80 characters" in message(
        case_text(f'[[calibration]]\nkind = "none"\nname = "{"x" * 81}"\n')
    )
    assert "write at most 200 characters" in message(case_text(case=f'name = "{"x" * 201}"'))


@pytest.mark.skipif(sys.platform == "win32", reason="names of files of POSIX")
def test_a_file_with_an_odd_name_gives_a_plain_one(tmp_path: Path) -> None:
    """Where the case states no name, what its file's name may not hold is replaced."""
    place = tmp_path / "a\nb\x1b.toml"
    place.write_text(case_text(), encoding="utf-8")
    assert load_case(place).name == "a_b_"


def test_keys_with_control_characters_are_written_out() -> None:
    """A key in quotes may hold anything; the message stays one printable line of bounded length."""
    found = message(case_text('["a\\nb\\u001b"]\nx = 1\n'))
    assert "\\n" in found
    assert found.isprintable()
    assert len(str(Fault("f", "t", "k" * 5000, 1, "why"))) <= 900


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-32", "latin-1"])
def test_other_encodings_get_one_message(encoding: str, tmp_path: Path) -> None:
    """A case in another encoding is refused with what it is and what to do."""
    place = tmp_path / "case.toml"
    place.write_bytes(case_text(case='name = "Größe"').encode(encoding))
    with pytest.raises(CaseError) as refused:
        load_case(place)
    assert str(refused.value).count("\n") == 0
    assert str(refused.value).endswith("save it as UTF-8")


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 10_000,
        "x = " + "[" * 10_000 + "]" * 10_000,
        "x = " + "[" * 200 + "]" * 200,
        ".".join(["a"] * 10_000) + " = 1",
        "x = " + "{a = " * 300 + "1" + "}" * 300,
        "x = " + "9" * 100_000,
    ],
)
def test_deep_and_long_texts_are_refused(text: str) -> None:
    """Brackets, dotted keys and tables thousands deep: one message, no RecursionError."""
    assert message(text).count("\n") == 0


def test_depth_is_counted_exactly() -> None:
    """A nest of exactly so many tables is not too deep, one more is."""
    nest: object = 1
    for depth in range(1, MOST_DEPTH + 2):
        nest = {"a": nest}
        assert deeper_than(nest, MOST_DEPTH) == (depth > MOST_DEPTH)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (case_text(load='range = "2 N to 60 N"\ncheck = 1000000000'), "it takes 2 to 200 check loads"),
        (case_text("[study]\nunits = 1" + "0" * 30), "units"),
        (case_text("[requirement.x]\n"), "unknown key"),
        (case_text("[use]\nconditions = 1000000000"), "must be at most 10000"),
        (case_text("[use]\nconditions = 1000\nloadings = 1000"), "7000000 readings of each unit"),
        (
            case_text('[[calibration]]\nkind = "one-point"\nreloads = 1000\nsamples = 1000000\n'),
            "2000000000 readings of each unit; at most 1000000",
        ),
        (
            case_text('[[calibration]]\nkind = "none"\n' * 51),
            "51 tables [[calibration]] are too many; write 50",
        ),
        (case_text('[[use.condition]]\nname = "x"\n' * 51), "51 tables [[use.condition]] are too many"),
        (
            case_text('[[calibration]]\nkind = "lot-curve"\nsample_units = 10000\nsamples = 1000\n'),
            "sample_units = 10000",
        ),
    ],
)
def test_huge_counts_are_refused(text: str, told: str) -> None:
    """Counts that memory or time would not hold are refused when the case is read."""
    assert told in message(text)


def test_a_million_loads_are_refused_by_the_size_of_the_file(tmp_path: Path) -> None:
    """A file beyond the stated size is not read; a list of a thousand loads is refused by its length."""
    place = tmp_path / "case.toml"
    loads = ", ".join(f'"{n} N"' for n in range(1_000_000))
    place.write_text(case_text(load=f'range = "2 N to 60 N"\ncheck = [{loads}]'), encoding="utf-8")
    with pytest.raises(CaseError, match="are too many for a case"):
        load_case(place)
    few = ", ".join(f'"{n} N"' for n in range(1000))
    assert "1000 loads are too many" in message(case_text(load=f'range = "2 N to 60 N"\ncheck = [{few}]'))


@pytest.mark.parametrize(
    ("loads", "outputs", "told"),
    [
        ('["0 N", "60 N"]', '["1 uS"]', "1 outputs for 2 loads"),
        ('["0 N"]', '["1 uS"]', "two or more loads"),
        ('["0 N", "60 N", "30 N"]', '["1 uS", "2 uS", "3 uS"]', "must ascend"),
        ('["0 N", "0 N", "60 N"]', '["1 uS", "2 uS", "3 uS"]', "must ascend"),
        ('["0 N", "30 N", "60 N"]', '["1 uS", "3 uS", "2 uS"]', "rise or fall throughout"),
        ('["0 N", "30 N", "60 N"]', '["1 uS", "1 uS", "2 uS"]', "rise or fall throughout"),
        ("[0.0, nan]", '["1 uS", "2 uS"]', "nan is not a finite number"),
        ("[0.0, 60.0]", "[1e-6, inf]", "inf is not a finite number"),
        ('["0 N", "60 uS"]', '["1 uS", "2 uS"]', "of different kinds"),
        ('["0 V", "60 V"]', '["1 uS", "2 uS"]', "loads"),
        ('["0 N", "60 N"]', '["1 V", "2 V"]', "outputs"),
        ('["-5 N", "60 N"]', '["1 uS", "2 uS"]', "negative"),
    ],
)
def test_measured_curves_are_checked_when_read(loads: str, outputs: str, told: str) -> None:
    """A measured curve that is none is refused with its table and what is wrong with it."""
    found = message(case_text(sensor=CURVE.format(loads=loads, outputs=outputs)))
    assert "[sensor]" in found
    assert told in found


def test_a_curve_that_does_not_cover_the_load_range_says_so() -> None:
    """Loads beyond the measured curve are extrapolation, which the case lists as assumed."""
    short = CURVE.format(loads='["10 N", "50 N"]', outputs='["10 uS", "40 uS"]')
    whole = CURVE.format(loads='["0 N", "80 N"]', outputs='["10 uS", "40 uS"]')
    (told,) = [each for each in read_case(case_text(sensor=short)).assumed if "extrapolat" in each]
    assert told == (
        "sensor.loads: the curve was measured from 10 N to 50 N; at 2 N to 10 N and 50 N to 60 N it is extrapolated by "
        "the slopes of its ends"
    )
    assert not [each for each in read_case(case_text(sensor=whole)).assumed if "extrapolat" in each]


def test_mutated_cases_run_or_are_refused() -> None:
    """Of sixty cases with something wrong or extreme none ends in a traceback, a time-out, a warning, or a message that
    is not one line a fault."""
    with warnings.catch_warnings():
        found = {number: mutated_cases.outcome(mutated_cases.mutated(number, seed=2)) for number in range(60)}
    assert not {number: told for number, (what, told) in found.items() if what in mutated_cases.BAD}
    assert {what for what, _ in found.values()} >= {"runs", "refused when read"}


@pytest.mark.parametrize("sensor", ["[[]]", "5", '{ kind = ["thin film"] }', '"thin film"'])
def test_a_history_beside_a_sensor_that_is_none(sensor: str) -> None:
    """A [history] whose sensor is no table, or of no kind, is refused for the sensor."""
    text = f'sensor = {sensor}\n[history]\nsteps = ["20 N for 1 s, read"]\n[load]\nrange = "2 N to 60 N"\n'
    with pytest.raises(CaseError, match="sensor"):
        read_case(text)
