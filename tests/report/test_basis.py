"""Sections on what the numbers rest on: chain, map, inputs, what is not modelled, computation, how to reproduce."""

from __future__ import annotations

from dataclasses import replace

import pytest
from pad_study import NONE, ONE_POINT, pad_case

from margin.estimates.error_map import error_map
from margin.estimates.evaluate import evaluate
from margin.estimates.results import Results
from margin.messages.limits import NOT_MODELLED
from margin.report import basis
from margin.report.blocks import Block, ByOption, Listing, Picture, Section, Text


@pytest.fixture(scope="module")
def found() -> Results:
    """Two options of a pad with a temperature in use that varies."""
    case = pad_case(
        NONE,
        ONE_POINT,
        load={"check": 3},
        sensor={"sensitivity": "4 uS +/- 4 %", "temperature_coefficient": "0.2 %/K"},
        use={"temperature": "5 degC to 40 degC"},
        study={"units": 300},
    )
    return evaluate(case, workers=1, with_budget=False)


def listed(section: Section) -> str:
    """All sentences of the lists of a section."""
    return "\n".join(item for block in section.blocks if isinstance(block, Listing) for item in block.items)


def test_the_chain_stands_on_the_page_with_its_kinds(found: Results) -> None:
    """One figure, whose answer names the parts; nothing where a case has not all parts."""
    (section,) = basis.chain(found)
    assert [type(block) for block in section.blocks] == [Picture]
    assert section.answer == "direct, thin film, inverting amplifier"
    assert "feedback 60" in section.pictures[0].svg
    elements = {role: spec for role, spec in found.case.elements.items() if role != "sensor"}
    assert basis.chain(replace(found, case=replace(found.case, elements=elements))) == ()


def test_the_map_is_of_the_option_in_focus(found: Results) -> None:
    """Its figure for that option, a sentence with the call for the other; no section without a map."""
    focus = found.focus.name
    map_found = error_map(found.case, focus, units=200)
    assert map_found is not None
    (section,) = basis.over_temperature(found, map_found)
    (block,) = section.blocks
    assert isinstance(block, ByOption)
    kinds: dict[str, type[Block]] = {
        option.name: type(variant[0]) for option, variant in zip(found.options, block.variants, strict=True)
    }
    assert kinds.pop(focus) is Picture
    assert set(kinds.values()) == {Text}
    assert "200 units" in section.pictures[0].caption and section.answer.startswith(f"{focus}: ")
    assert basis.over_temperature(found, None) == ()


def test_what_is_not_modelled_is_listed(found: Results) -> None:
    """Ideal parts and missing dependence of this case, and what no case contains."""
    text = listed(basis.not_modelled(found))
    assert "Interface: direct" in text and "none stated, all are drawn independently" in text
    assert all(line in text for line in NOT_MODELLED)


def test_a_study_can_be_repeated_from_its_page(found: Results) -> None:
    """Command, seed, version and a digest of the tables, which changes with them."""
    text = listed(basis.reproduce(found, "margin estimate pad.toml --seed 3"))
    assert "Command: margin estimate pad.toml --seed 3\n" in text
    assert f"Seed 3, 300 units asked, margin {found.version}" in text
    digest = text[text.index("Digest of the case: ") :].split()[4]
    assert len(digest) == 16
    assert digest in listed(basis.reproduce(found))
    moved = replace(found.case, source={**found.case.source, "load": {}})
    assert digest not in listed(basis.reproduce(replace(found, case=moved)))
    assert "Command: margin estimate case.toml\n" in listed(basis.reproduce(found))
