"""The report of a bench: page, figures, terminal, JSON with its schema, CSV."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from html import escape
from itertools import product
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
from bench_rows import bench_frame

import margin
from margin.estimates.bench_statements import definition_of
from margin.estimates.next_measurement import SPREAD_TOGETHER
from margin.report import bench_figures, bench_files, style


@pytest.fixture(scope="module")
def found():
    """Two interfaces and a hold."""
    return margin.characterise(bench_frame(cycles=2, interfaces=("soft", "hard"), hold=True, warm=True))


@pytest.fixture(scope="module")
def poor():
    """One sensor, one cycle, not unloaded."""
    return margin.characterise(bench_frame(sensors=1, mountings=1, cycles=1, down=False))


@pytest.fixture(scope="module")
def poor_contents(poor) -> dict[str, str]:
    return bench_files.bench_contents(poor.findings, poor.outlook)


@pytest.fixture(scope="module")
def contents(found) -> dict[str, str]:
    return bench_files.bench_contents(found.findings, found.outlook)


def test_document_keeps_the_schema(found, poor) -> None:
    """bench.json of a rich and of a poor bench is valid by the shipped schema."""
    schema = json.loads(bench_files.schema_path().read_text(encoding="utf-8"))
    for each in (found, poor):
        document = bench_files.to_document(each.findings, each.outlook, ("bench.json",))
        jsonschema.validate(json.loads(json.dumps(document, allow_nan=False)), schema)


def test_page_needs_nothing_beside_it_and_defines_every_figure(found, contents) -> None:
    """The page names no other file, and holds the definition of every figure of merit."""
    page = contents["bench.html"]
    assert "<script" not in page and "<link" not in page and "<img" not in page
    setup = found.findings.setups[0]
    for name in setup.pooled:
        definition = escape(definition_of(setup, name))[1:]
        assert page.count(definition) >= 2, "beside the name, and in the glossary"
    for heading in ("Side by side", "Not available from these data", "Next measurement", "Glossary"):
        assert f">{heading}</h2>" in page


def test_every_table_and_figure_has_its_file(contents) -> None:
    """CSV files parse, SVG files are XML, and the manifest lists all of them."""
    listed = json.loads(contents["bench.json"])["files"]
    assert sorted(listed) == sorted(contents)
    for name, text in contents.items():
        if name.endswith(".svg"):
            assert ElementTree.fromstring(text[text.index("<svg ") :]).tag.endswith("svg")
    for name in ("merits", "fits", "models", "components", "differences", "missing", "outlook"):
        assert f"{name}.csv" in contents
    for name in ("loops", "loop-width", "residuals", "components", "creep"):
        assert f"{name}-amplifier-soft.svg" in contents
    assert {"outlook-sensors.svg", "outlook-effort.svg", "outlook-temperature.svg"} <= set(contents)


def test_a_report_replaces_its_own_and_spares_others(poor, poor_contents, tmp_path: Path) -> None:
    """Saved twice to one folder, to the byte the same; a foreign file there is refused."""
    out = tmp_path / "report"
    assert poor.save(out) == out / "bench.html" and poor.save(out).is_file()
    saved = {path.name: path.read_text(encoding="utf-8") for path in out.iterdir()}
    saved.pop("manifest.json")
    assert saved == poor_contents
    (out / "thesis.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(ValueError, match=r"thesis\.txt"):
        poor.save(out)


def test_poor_bench_has_a_page_too(poor_contents) -> None:
    """Where hardly anything is available the page still says what, and what to measure."""
    assert "measure a second sensor and a second cycle" in poor_contents["bench.html"]
    assert "loop-width-amplifier-silicone.svg" not in poor_contents


def test_terminal_has_its_width_and_says_what_matters(found, poor, monkeypatch) -> None:
    """No line is longer than the terminal; differences, lacks and the next measurement are reported."""
    for width, each in product((40, 60, 80, 120), (found, poor)):
        monkeypatch.setenv("COLUMNS", str(width))
        assert max(map(len, str(each).splitlines())) <= width
        assert "…" not in str(each)
    text = str(found)
    assert "By interface, resolved: sensitivity" in text
    assert "Not available: resolution" in text
    assert "\nNext: " in text
    assert "<table" in found._repr_html_()


def test_loops_show_both_branches_of_every_sensor(found) -> None:
    """One panel a sensor, two lines each; both end where the load turns."""
    setup = found.findings.setups[0]
    panels = bench_figures.loops(setup, "S")
    assert len(panels) == len(setup.sensors)
    for axes in panels:
        up, down = axes.get_lines()
        assert up.get_xydata()[-1] == pytest.approx(down.get_xydata()[-1])
        assert np.all(down.get_ydata()[2:-1] > up.get_ydata()[2:-1])


def test_component_bars_are_the_standard_deviations(found) -> None:
    """The bars of the sensitivity are as long as the components in %."""
    setup = found.findings.setups[0]
    axes = bench_figures.components(setup)[0]
    table = pd.DataFrame(found.components)
    rows = table[(table["interface"] == setup.interface) & (table["parameter"] == "sensitivity")]
    assert [bar.get_width() for bar in axes.patches] == pytest.approx(100 * rows["sd"].dropna().to_numpy())


def test_residuals_have_a_panel_a_model_best_first(found) -> None:
    """Six candidate models, the best one first, its residuals the smallest."""
    with style.settings():
        panels = bench_figures.residuals(found.findings.setups[0])
    assert len(panels) == 6
    assert panels[0].get_title(loc="left").startswith("power law with offset\nbest by AICc")
    spread = [np.ptp(axes.get_lines()[-2].get_ydata()) for axes in panels]
    assert spread[0] < 0.2 * spread[-1]


def test_outlook_curves_are_the_table(found) -> None:
    """The curve of more sensors starts at 100 % and holds the widths of the table."""
    axes = bench_figures.outlook_effort(found.outlook, SPREAD_TOGETHER)
    rows = found.outlook.of(SPREAD_TOGETHER)
    width = rows[rows["measure"].isin(["now", "sensors"]) & rows["width"].notna()]["width"].to_numpy()
    assert axes.get_lines()[0].get_ydata() == pytest.approx(100 * width / width[0])
