"""The option in focus on the page: every block of an option is there, one is shown, and the reader can choose."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape

import pytest

from margin.estimates.results import Results
from margin.report import page
from margin.report.blocks import ByOption, Section, Table, flat, pictures


def test_the_recommended_option_is_offered_first_and_chosen(html: str, results: Results) -> None:
    """A labelled list of all options, the recommended one first; it is there only where scripts can act on it."""
    chooser = html[html.index('<p class="chooser" hidden>') : html.index("</select>")]
    offered = re.findall(r'<option value="(\d)"( selected)?>(.*?)</option>', chooser)
    names = [option.name for option in results.options]
    assert next(name for *_, name in offered) == "two-point"
    assert sorted(name for *_, name in offered) == sorted(names)
    assert all(names[int(place)] == name for place, _, name in offered)
    assert [name for _, chosen, name in offered if chosen] == ["two-point"]
    assert '<label for="option-in-focus">' in chooser and '<select id="option-in-focus"' in chooser


def test_one_variant_of_each_block_is_shown(html: str, results: Results) -> None:
    """Of blocks and answers by option, all but those of the option in focus are hidden."""
    found = re.findall(r'data-option="(\d)"( hidden)?>', html)
    shown = [place for place, hidden in found if not hidden]
    assert set(shown) == {"2"}
    assert len(found) == len(results.options) * len(shown) > 40


def test_each_option_has_its_figures_and_tables(parts: tuple[Section, ...], results: Results) -> None:
    """Every table by option names its option, and those of one option have the same columns as those of another."""
    varied = [block for part in parts for block in part.blocks if isinstance(block, ByOption)]
    assert len(varied) >= 5
    for block in varied:
        assert len(block.variants) == len(results.options)
        heads = set()
        for option, variant in zip(results.options, block.variants, strict=True):
            tables = [each for each in variant if isinstance(each, Table)]
            assert all(repr(option.name) in each.caption for each in tables)
            heads.add(tuple(each.columns[-1] for each in tables))
        assert len(heads) == 1


def test_figures_of_other_options_are_no_files(parts: tuple[Section, ...], html: str) -> None:
    """Names of figures are unique on the page; only those of the option in focus are written beside it."""
    names = [shown.name for shown in pictures(parts)]
    assert len(names) == len(set(names))
    assert {"error-over-load", "worst-case", "error-by-condition"} <= set(names)
    assert not any(name.endswith("-1") for name in names)
    assert 'id="error-over-load-1"' in html and 'id="worst-case-4"' in html


def test_another_option_shows_its_own_verdict(html: str) -> None:
    """The headline is of the design; the reader who chooses another option reads the verdict on that one."""
    variant = html[html.index("Option shown: calibration &#39;none&#39;") :]
    assert unescape(variant).startswith(
        "Option shown: calibration 'none' does not conform: lower bound 18.3\N{NO-BREAK SPACE}%"
    )


@pytest.mark.usefixtures("undrawn")
def test_a_study_of_one_option_has_nothing_to_choose(results: Results) -> None:
    """One option: no list, no script."""
    alone = replace(results, options=(results.option("two-point"),))
    html = page.render(alone)
    assert "<select" not in html and "<script" not in html
    assert 'data-option="0" hidden' not in html


def test_blocks_inside_rows_are_found(parts: tuple[Section, ...]) -> None:
    """The figures of the first page stand side by side, and are among the figures of the page."""
    assert [shown.name for shown in parts[0].pictures] == ["error-over-load", "yield-by-option"]
    assert not any(isinstance(block, ByOption) for block in flat(parts[0].blocks))
