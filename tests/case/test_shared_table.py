"""The table [[shared]]: which keys one part may stand behind, and what is refused."""

from __future__ import annotations

import pytest
from case_texts import case_text, line

from margin.case import Case, CaseError, read_case, with_changes

CIRCUIT = {
    "circuit": line("circuit", 'feedback_tempco = "0 ppm/K +/- 50 ppm/K"'),
    "converter": 'bits = 12\nreference = "absolute"\nfull_scale = "1.2 V"',
}


def shared(keys: str, more: str = "", **tables: str) -> Case:
    """The case with one table [[shared]] of these keys."""
    return read_case(case_text(f"[[shared]]\nkeys = {keys}\n{more}", **{**CIRCUIT, **tables}))


def test_the_first_key_lends_its_tolerance() -> None:
    """The further keys keep their values and have the spreads of the first; the readings say so, once."""
    case = shared('["circuit.feedback", "circuit.reference", "converter.full_scale"]')
    first = case.elements["circuit"].quantities["feedback"]
    assert first.shared_with is None
    for role, name, nominal in (("circuit", "reference", 1.2), ("converter", "full_scale", 1.2)):
        found = case.elements[role].quantities[name]  # type: ignore[index]
        assert (found.nominal, found.spreads, found.shared_with) == (
            nominal,
            first.spreads,
            "circuit.feedback",
        )
    assert "circuit.reference: deviation of circuit.feedback, one draw for both" in case.readings
    assert not any(each.startswith("converter.full_scale: +/-") for each in (*case.readings, *case.assumed))


def test_a_changed_tolerance_reaches_every_key() -> None:
    """The table stays in force where the case is read anew."""
    case = with_changes(
        shared('["circuit.feedback", "circuit.reference"]'), {"circuit.feedback": "33 kohm +/- 3 %"}
    )
    quantities = case.elements["circuit"].quantities
    assert quantities["reference"].spreads == quantities["feedback"].spreads
    assert quantities["feedback"].spreads[0].distribution.support == (-0.03, 0.03)


@pytest.mark.parametrize(
    ("keys", "tables", "message"),
    [
        (
            '["circuit.feedbck", "circuit.reference"]',
            {},
            '"circuit.feedbck" is not a quantity of the interface, sensor, circuit, converter or firmware; '
            'did you mean "circuit.feedback"?',
        ),
        ('["circuit.feedback", "use.temperature"]', {}, '"use.temperature" is not a quantity of the interface'),
        ('["circuit.feedback", "circuit.feedback"]', {}, '"circuit.feedback" occurs twice; keep it once'),
        (
            '["circuit.reference", "circuit.feedback"]',
            {},
            '"circuit.reference" has no tolerance to share; state one at circuit.reference, such as "+/- 1 %", or '
            "put the key that has it first",
        ),
        (
            '["circuit.feedback", "sensor.sensitivity"]',
            {},
            '"sensor.sensitivity" has a tolerance of its own; state it at "circuit.feedback" alone',
        ),
        (
            '["circuit.feedback", "circuit.offset"]',
            {},
            '"circuit.offset" cannot take the deviation of "circuit.feedback": a share of a nominal value of 0 is 0; '
            "write the value of circuit.offset",
        ),
        (
            '["circuit.feedback_tempco", "circuit.reference"]',
            {},
            "a difference of a temperature coefficient is none of a voltage; write the tolerance in %",
        ),
        (
            '["circuit.feedback", "circuit.reference"]',
            {"circuit": CIRCUIT["circuit"].replace("+/- 1 %", "+/- 1 % per mounting")},
            "cannot vary per",
        ),
        (
            '["circuit.internal", "circuit.reference"]',
            {},
            '"circuit.internal" is not a quantity',
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_shared_is_refused(keys: str, tables: dict[str, str], message: str) -> None:
    """One message with the table, its keys, what is wrong and the remedy."""
    with pytest.raises(CaseError) as caught:
        shared(keys, **tables)
    assert message in str(caught.value)


def test_a_level_that_a_part_cannot_have_is_refused() -> None:
    """A deviation drawn per mounting of the sensor cannot be that of a soldered resistor."""
    sensor = 'kind = "thin film"\nsensitivity = "3.2 uS +/- 5 % per mounting"\nreference_load = "20 N"'
    with pytest.raises(
        CaseError, match=r'"circuit\.reference" cannot take the deviation of "sensor\.sensitivity"'
    ):
        shared('["sensor.sensitivity", "circuit.reference"]', sensor=sensor)


def test_a_deviation_that_takes_a_value_below_zero_is_refused() -> None:
    """A difference that suits the first key may be too large for a further one."""
    circuit = (
        'kind = "bridge amplifier"\nreference = "2.5 V"\ninternal_resistor = "50 kohm +/- 150 ohm"\n'
        'gain_resistor = "100 ohm"'
    )
    sensor = 'kind = "strain-gauge bridge"\nrated_load = "60 N"\nrated_output = "2 mV/V"'
    with pytest.raises(CaseError, match=r"lets it fall to .* but it must stay above 0"):
        shared('["circuit.internal_resistor", "circuit.gain_resistor"]', circuit=circuit, sensor=sensor)


def test_a_key_of_two_tables_is_refused() -> None:
    """One part is one table."""
    second = '[[shared]]\nkeys = ["circuit.feedback", "converter.full_scale"]'
    with pytest.raises(CaseError, match=r"\[shared 2\] keys = .*shared by an earlier table too"):
        shared('["circuit.feedback", "circuit.reference"]', second)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ('"circuit.feedback"', "must be a list"),
        ('["circuit.feedback"]', "has 1 entries; write 2"),
        ('["circuit.feedback", 3]', "must be a text"),
    ],
)
def test_keys_of_another_type_are_refused(keys: str, message: str) -> None:
    """Keys are a list of two or more names."""
    with pytest.raises(CaseError, match=message):
        shared(keys)


def test_a_table_without_double_brackets_is_refused() -> None:
    """The message shows how it is written."""
    with pytest.raises(CaseError, match=r"must be a list of tables.*\[\[shared\]\]"):
        read_case(case_text(shared='keys = ["circuit.feedback", "circuit.reference"]'))


def test_a_tie_to_a_shared_quantity_names_the_one_that_is_drawn() -> None:
    """A dependence of a quantity without draws of its own is refused with the name to write."""
    tie = '[[dependence]]\nbetween = ["circuit.reference", "sensor.sensitivity"]\nrank_correlation = 0.5'
    with pytest.raises(CaseError, match=r'write "circuit\.feedback" in its place'):
        shared('["circuit.feedback", "circuit.reference"]', tie)


@pytest.mark.parametrize("rho", ["1.0", "-1.0"])
def test_a_whole_tie_is_accepted(rho: str) -> None:
    """Rank correlations of exactly 1 and -1 are valid, and are listed."""
    more = f'[[dependence]]\nbetween = ["sensor.sensitivity", "circuit.feedback"]\nrank_correlation = {rho}'
    case = read_case(case_text(more))
    assert case.dependences[0].rank_correlation == float(rho)
    assert f"rank correlation {float(rho):g}" in case.readings[-1]


def test_whole_ties_that_contradict_a_third_are_refused() -> None:
    """The message names the quantities that cannot all hold together."""
    sensor = line("sensor", 'exponent = "0.8 +/- 2 %"')
    ties = [("sensor.sensitivity", "sensor.exponent", 1.0), ("sensor.sensitivity", "circuit.feedback", 0.5),
            ("sensor.exponent", "circuit.feedback", -0.5)]  # fmt: skip
    more = "\n".join(f'[[dependence]]\nbetween = ["{a}", "{b}"]\nrank_correlation = {r}' for a, b, r in ties)
    with pytest.raises(
        CaseError, match=r"of sensor\.sensitivity, sensor\.exponent, circuit\.feedback cannot all hold"
    ):
        read_case(case_text(more, sensor=sensor))
    read_case(case_text("\n".join(more.split("\n")[:-3]), sensor=sensor))
