"""The summary on the terminal and in a notebook."""

from __future__ import annotations

import io
import os
from collections import Counter
from dataclasses import replace

import pandas as pd
import pytest
from rich.cells import cell_len
from rich.console import Console

from margin.case import read_case
from margin.estimates.results import Results
from margin.report import page, terminal
from margin.report.summary import summarise
from tests.case.case_texts import case_text


def words_of(text: str) -> Counter[str]:
    return Counter(text.replace("\n", " ").split(" "))


@pytest.mark.parametrize("width", [40, 50, 60, 80, 120])
@pytest.mark.parametrize("which", ["results", "failing"])
def test_nothing_is_cut_at_any_width(which: str, width: int, request: pytest.FixtureRequest) -> None:
    """No line is longer than the terminal, and every word of the summary is there."""
    found = request.getfixturevalue(which)
    text = terminal.render(found, width)
    assert max(map(cell_len, text.splitlines())) <= width
    assert "…" not in text
    summary = summarise(found)
    cells = [
        text for option in summary.options for text in (option.name, option.yields.lines, option.seconds)
    ]
    cells += [
        text for cause in summary.causes for text in (cause.factor, cause.yield_becomes, cause.change.text)
    ]
    notes = [
        *summary.obstacles,
        *summary.cautions,
        *summary.checks_exceeded,
        summary.computed,
        summary.assumed,
    ]
    shown = words_of(text.replace(",", ""))
    for word in words_of(" ".join([*cells, *notes]).replace(",", "")):
        assert not word or word in shown, word


def test_a_pipe_has_the_width_of_columns_and_no_control_codes(
    results: Results, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Written to a pipe: COLUMNS, else 100 columns; text alone."""
    monkeypatch.setenv("COLUMNS", "72")
    assert max(map(cell_len, terminal.render(results).splitlines())) <= 72
    monkeypatch.delenv("COLUMNS")
    monkeypatch.setattr("os.get_terminal_size", lambda _: os.terminal_size((0, 0)))
    text = terminal.render(results)
    assert 90 < max(map(cell_len, text.splitlines())) <= 100
    assert "\x1b" not in text


def test_everything_is_said_however_long(failing: Results) -> None:
    """Next step and the way of computing are printed even when other texts are long."""
    text = terminal.render(failing, 80)
    for label in ("Recommended:", "In the way:", "Checks EXCEEDED:", "Assumed:", "Cautions (4):", "Next:"):
        assert f"\n{label}" in text
    assert "seed 11" in text


def test_summary_says_what_decides(results: Results) -> None:
    """Verdict, yield, interval, lower bound, cost and leading cause can be read off the text alone."""
    text = terminal.render(results, 80).replace("\N{NO-BREAK SPACE}", " ")
    assert text.splitlines()[0].endswith("CONFORMS")
    for part in ("97.34 %", "97.11 to 97.60 %", "95.7 %", "16.5 s", "reload repeatability", "98.14 %", "4="):
        assert part in text
    assert "amplifier headroom" in text


def test_verdict_needs_no_colour(failing: Results) -> None:
    """Without colour the words differ."""
    assert "DOES NOT CONFORM" in terminal.render(failing).splitlines()[0]
    assert "\x1b" not in terminal.render(failing)


def test_no_colour_is_obeyed(results: Results, monkeypatch: pytest.MonkeyPatch) -> None:
    """NO_COLOR takes the colours out of a terminal and leaves the text (no-color.org)."""
    monkeypatch.setenv("NO_COLOR", "1")
    buffer = io.StringIO()
    console = Console(file=buffer, force_terminal=True, width=80, color_system="standard")
    terminal.print_summary(results, console)
    assert "\x1b[32m" not in buffer.getvalue()
    assert "\x1b[1;32m" not in buffer.getvalue()


def test_missing_budget_is_said(results: Results) -> None:
    """Without a budget the screen says that the causes are not determined."""
    without = replace(results, budget=results.budget.iloc[:0])
    assert "not determined (no budget was computed, or nothing varies)" in terminal.render(without, 100)


def test_no_number_is_shown_as_nan(results: Results) -> None:
    """An estimate that there is none of reads 'not determined'."""
    option = results.options[0]
    errors = option.errors.assign(p95_abs_N=float("nan"))
    text = terminal.render(replace(results, options=(replace(option, errors=errors), *results.options[1:])))
    assert "nan" not in text
    assert "not determ" in text


def test_ranks_come_in_order(results: Results) -> None:
    """Leading causes stand by rank, whatever the order of the budget."""
    shuffled = replace(results, budget=pd.DataFrame(results.budget.iloc[::-1]))
    assert terminal.render(shuffled) == terminal.render(results)


def test_notebook_shows_the_same_and_escapes(results: Results) -> None:
    """The notebook's HTML holds the same numbers and takes names as text."""
    named = replace(results, case=replace(results.case, name="<b>x</b>"))
    html = terminal.notebook_html(named)
    assert "&lt;b&gt;x&lt;/b&gt;" in html
    assert "<b>x</b>" not in html
    assert html.count("<table>") == 2
    assert results.cautions[0] in html


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize("which", ["results", "failing"])
def test_ideal_parts_of_the_chain_are_named(which: str, request: pytest.FixtureRequest) -> None:
    """A converter that was left out and a direct interface are told plainly on the screen and on the page."""
    results: Results = request.getfixturevalue(which)
    ideal = read_case(case_text()).elements
    shown = replace(results, case=replace(results.case, elements=ideal))
    text = terminal.render(shown, 100)
    shown_on_page, in_notebook = page.render(shown), terminal.notebook_html(shown)
    for line in (
        "Converter: none stated, taken as ideal: no quantisation, no noise",
        "Interface: direct, the whole load reaches the sensor evenly",
    ):
        assert f"\n{line}\n" in text
        assert line in shown_on_page
        assert line in in_notebook
    stated = read_case(case_text(converter="bits = 12", interface='kind = "load concentrator"')).elements
    quiet = terminal.render(replace(results, case=replace(results.case, elements=stated)))
    assert "Converter:" not in quiet and "Interface:" not in quiet
