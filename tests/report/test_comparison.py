"""Two studies side by side."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from rich.cells import cell_len

from margin.estimates.compare import side_by_side
from margin.estimates.comparison_result import Comparison
from margin.estimates.results import Results
from margin.report import comparison as shown
from margin.report import comparison_page, files


@pytest.fixture
def comparison(results: Results) -> Comparison:
    """The invented study against itself with invented differences."""
    second = replace(results, case=replace(results.case, name="Pad C <i>invented</i>"))
    rows = [
        ("none", 0.183, 0.1835, 0.0005, -0.002, 0.003, "below resolution"),
        ("two-point", 0.9734, 0.9814, 0.008, 0.007, 0.009, "second better"),
    ]
    columns = [
        "option", "yield_first", "yield_second", "difference", "difference_low", "difference_high", "verdict",
    ]  # fmt: skip
    return Comparison(results, second, pd.DataFrame(rows, columns=columns), side_by_side(results, second))


def test_text_names_both_and_their_difference(comparison: Comparison) -> None:
    """The text names both cases, the difference with its interval and who is better, in 80 columns."""
    text = shown.render(comparison, 80)
    assert max(map(cell_len, text.splitlines())) <= 80
    assert "First: Picking gripper, pad B (invented), conforms" in text
    assert "Second: Pad C" in text
    assert "+0.80 (+0.70 to +0.90)" in text
    assert "second better" in text
    assert "\nCautions (1): Halving" in text


def test_difference_below_resolution_is_no_number(comparison: Comparison) -> None:
    """A difference within its noise reads 'below resolution'."""
    row = next(line for line in shown.render(comparison).splitlines() if line.startswith("none"))
    assert "below resolution" in row
    assert "+0.05" not in row


def test_design_checks_stand_side_by_side(comparison: Comparison) -> None:
    """Terminal and page show each design check of both cases with its limit, what exceeds it, and saturation."""
    worse = [replace(c, value=0.002, verdict="exceeded") for c in comparison.first.checks[1:2]]
    second = replace(comparison.second, checks=tuple(worse))
    both = replace(comparison, second=second, checks=side_by_side(comparison.first, second))
    line = next(each for each in shown.render(both, 120).splitlines() if each.startswith("sensor current"))
    found = " ".join(line.split())
    assert found == "sensor current 310 µA (limit 1 mA), passed 2 mA (limit 1 mA), EXCEEDED"
    assert "2\N{NO-BREAK SPACE}mA (limit 1\N{NO-BREAK SPACE}mA), EXCEEDED" in shown.notebook_html(both)
    page = comparison_page.render_page(both)
    assert "Design checks side by side" in page
    assert "EXCEEDED" in page
    names = [*(check.name for check in comparison.first.checks), "saturation"]
    assert list(both.checks["check"]) == names
    assert pd.isna(both.checks.set_index("check").loc["bandwidth", "value_second"])


def test_page_and_notebook_escape_names(comparison: Comparison) -> None:
    """Names are text in page and notebook."""
    for html in (comparison_page.render_page(comparison), shown.notebook_html(comparison)):
        assert "<i>invented" not in html
        assert "&lt;i&gt;invented" in html
        assert "second better" in html


@pytest.fixture
def short_reports(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reports of one page without figures: what matters here is where they are put."""
    monkeypatch.setattr(files, "report_contents", short_contents)


def short_contents(results: Results, payload: object = None, **_: object) -> dict[str, str]:
    listing = {"format": {"name": "margin results"}, "files": ["report.html", "results.json"]}
    return {"report.html": results.case.name, "results.json": json.dumps(listing)}


@pytest.mark.usefixtures("short_reports")
def test_comparison_is_written_with_both_reports(comparison: Comparison, tmp_path: Path) -> None:
    """The folder holds the page that compares, the differences and both reports, and can be written again."""
    for _ in range(2):
        written = files.write_comparison(comparison, tmp_path)
        assert written.name == "comparison.html"
        assert (tmp_path / "first" / "report.html").is_file()
        assert (tmp_path / "second" / "report.html").is_file()
        pd.testing.assert_frame_equal(pd.read_csv(tmp_path / "differences.csv"), comparison.differences)
        assert list(pd.read_csv(tmp_path / "checks.csv")["check"]) == list(comparison.checks["check"])
    document = json.loads((tmp_path / "comparison.json").read_text())
    assert [row["check"] for row in document["checks"]] == list(comparison.checks["check"])
    listed = json.loads((tmp_path / "comparison.json").read_text())["files"]
    assert {*listed, "manifest.json"} == {
        path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()
    }


@pytest.mark.usefixtures("short_reports")
def test_report_takes_the_place_of_a_comparison(comparison: Comparison, tmp_path: Path) -> None:
    """A report written over an earlier comparison leaves nothing of it."""
    files.write_comparison(comparison, tmp_path)
    files.write_report(comparison.first, tmp_path, replace=True)
    assert not (tmp_path / "first").exists()
    assert not (tmp_path / "comparison.json").exists()
    assert (tmp_path / "report.html").is_file()
