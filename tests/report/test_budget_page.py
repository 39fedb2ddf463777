"""The error budget as page, figures, files and text, from a small real case."""

from __future__ import annotations

import dataclasses
import json
import re
from collections import Counter
from html import unescape
from html.parser import HTMLParser
from itertools import product
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from pad_study import NONE, ONE_POINT, pad_case

from margin.estimates.error_budget import ErrorBudget, error_budget
from margin.estimates.shares import FAILING, MARGIN
from margin.report import budget_figures, budget_page, style
from margin.report.blocks import Table
from margin.report.folder import FolderNotOurs

TABLES = {
    "actions.csv", "effects.csv", "effects_sums.csv", "scopes.csv", "over_temperature.csv", "second_order.csv",
    "shapley.csv",
}  # fmt: skip
FIGURES = {
    "effects-on-margin.svg", "failing-units-cured.svg", "actions.svg",
    "shares-over-load.svg", "scopes-over-load.svg", "spread-over-load.svg", "shares-over-temperature.svg",
}  # fmt: skip


@pytest.fixture(scope="module")
def budget() -> ErrorBudget:
    """Two options; the one-point calibration takes out the sensor and puts in the station."""
    case = pad_case(
        NONE,
        ONE_POINT,
        load={"check": 3},
        sensor={
            "sensitivity": "4 uS +/- 6 %",
            "exponent": "1 +/- 0.01",
            "reload_scatter": "1 %",
            "temperature_coefficient": "0.1 %/K +/- 0.05 %/K",
            "hysteresis": "1 % +/- 0.5 %",
        },
        circuit={"feedback": "60 kohm +/- 1 %"},
        use={"temperature": "5 degC to 45 degC"},
        station={"reference_gain": "+/- 1 %"},
        dependence=[{"between": ["sensor.sensitivity", "sensor.exponent"], "rank_correlation": 0.5}],
        study={"units": 400, "outer": 10},
    )
    return error_budget(case, runs=3000, second_order=True, shapley=True, workers=2)


@pytest.fixture(scope="module")
def constant() -> ErrorBudget:
    """A calibration that takes out everything: its errors are zero, and its margin is 1."""
    case = pad_case(
        NONE, ONE_POINT, load={"check": 3}, sensor={"sensitivity": "4 uS +/- 6 %"}, study={"units": 100}
    )
    return error_budget(case, runs=1000, workers=1)


@pytest.fixture(scope="module")
def contents(budget: ErrorBudget) -> dict[str, str]:
    return budget_page.contents(budget, "one-point")


@pytest.fixture(scope="module")
def constant_contents(constant: ErrorBudget) -> dict[str, str]:
    return budget_page.contents(constant, "one-point")


class Reader(HTMLParser):
    """Counts tags, keeps addresses, and the words of the cells of tables."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.addresses: list[str] = []
        self.rows: list[list[str]] = []
        self._in_cell = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "xlink:href")]
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
            self._in_cell = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._in_cell = False

    def handle_data(self, data: str) -> None:
        if self._in_cell:
            self.rows[-1][-1] += data


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    return reader


def test_the_page_needs_nothing_beside_it(contents: dict[str, str]) -> None:
    """No script, no link and no image from elsewhere; every figure stands in the page."""
    html = contents["budget.html"]
    found = read(html)
    assert found.tags["script"] == found.tags["link"] == found.tags["img"] == found.tags["iframe"] == 0
    assert all(address.startswith("#") for address in found.addresses)
    assert set(re.findall(r"https?://[^\s\"'<>)]+", html)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert found.tags["svg"] == len(FIGURES)
    assert not re.search(r"\bnan\b", re.sub(r"<svg.*?</svg>", "", html, flags=re.DOTALL), flags=re.IGNORECASE)


def test_every_file_is_there_and_the_json_lists_them(contents: dict[str, str]) -> None:
    """Page, tables, figures and JSON, and nothing else."""
    assert set(contents) == {"budget.html", "budget.json", *TABLES, *FIGURES}
    assert set(json.loads(contents["budget.json"])["files"]) == set(contents)


def test_every_row_of_every_table_is_on_the_page(budget: ErrorBudget, contents: dict[str, str]) -> None:
    """Two tables of each grouping, those of changes, places, pairs and Shapley effects stand on the page cell by
    cell."""
    with style.settings():
        parts = budget_page.sections(budget, "one-point")
    tables = [block for part in parts for block in part.blocks if isinstance(block, Table)]
    assert len(tables) == 1 + 2 * 4 + 4 + 1 + 2
    shown = {tuple(unescape(cell).strip() for cell in row) for row in read(contents["budget.html"]).rows}
    for table in tables:
        for row in (table.columns, *table.rows):
            assert tuple(cell.strip() for cell in row) in shown


def test_tables_hold_what_is_resolved(budget: ErrorBudget) -> None:
    """A table of effects has a row for each resolved group and counts the others; one of changes likewise."""
    with style.settings():
        parts = budget_page.sections(budget, "one-point")
    captions = {block.caption.split(".")[0]: block for block in parts[1].blocks if isinstance(block, Table)}
    rows = budget.shares.effects
    for by, (output, heading) in product(
        ("factor", "part", "level", "cause"), ((MARGIN, "Conformity margin"), (FAILING, "Failing units"))
    ):
        of = rows[(rows["option"] == "one-point") & (rows["output"] == output) & (rows["by"] == by)]
        table = captions[f"{heading} by {by}"]
        assert {row[1] for row in table.rows} == set(of[of["verdict"] == "resolved"]["group"])
        assert ("Cured" in table.columns) == (output == FAILING)
        silent = int((of["verdict"] != "resolved").sum())
        assert (f" {silent} below resolution" in table.caption) == (silent > 0)
    changes = next(block for block in parts[2].blocks if isinstance(block, Table))
    of = budget.actions[(budget.actions["option"] == "one-point") & (budget.actions["by"] == "factor")]
    assert {row[1] for row in changes.rows} == set(of[of["verdict"] == "resolved"]["factor"])
    assert len(changes.columns) == 2 + 5


def whiskers(axes: Axes) -> dict[str, np.ndarray]:
    """Label of each mark -> its values in percent."""
    return {
        str(line.get_label()): np.asarray(line.get_ydata())
        for line in axes.lines
        if not str(line.get_label()).startswith("_")
    }


@pytest.mark.parametrize("option", ["none", "one-point"])
def test_whiskers_are_the_main_effects(budget: ErrorBudget, option: str) -> None:
    """Over load and over temperature each cause stands at its main effect with its interval, the largest first; what
    scopes show are their shares."""
    shares = budget.shares
    rows = shares.effects[(shares.effects["option"] == option) & (shares.effects["by"] == "cause")]
    loads = shares.case.check_loads
    over_load = budget_figures.shares_over_load(shares, option)
    found = whiskers(over_load)
    ends = [np.array([path.vertices for path in lines.get_paths()]) for lines in over_load.collections]
    for (cause, values), drawn in zip(found.items(), ends, strict=True):
        own = rows[rows["group"] == cause].set_index("output").loc[[f"error at {load:g} N" for load in loads]]
        np.testing.assert_allclose(values, 100.0 * own["main"])
        np.testing.assert_allclose(drawn[:, :, 1], 100.0 * own[["main_low", "main_high"]])
    means = [values.mean() for values in found.values()]
    assert means == sorted(means, reverse=True)
    over_temperature = budget_figures.shares_over_temperature(shares, option, f"error at {loads[1]:g} N")
    assert all(
        len(values) == shares.over_temperature["temperature_degC"].nunique()
        for values in whiskers(over_temperature).values()
    )
    scopes = whiskers(budget_figures.scopes_over_load(shares, option))
    names = [" ".join(name.split()) for name in scopes]
    assert names[1] == "from unit to unit: removable by a better calibration"
    own = shares.scopes[shares.scopes["option"] == option].set_index("output")
    np.testing.assert_allclose(
        next(iter(scopes.values())), 100.0 * own.loc[[f"error at {load:g} N" for load in loads], "within"]
    )


def test_a_cause_looks_the_same_over_load_and_over_temperature(budget: ErrorBudget) -> None:
    """Colour and marker of a cause follow from its name, in both figures and whatever its rank."""
    shares = budget.shares
    looks: dict[str, set[tuple[str, str]]] = {}
    for option in ("none", "one-point"):
        for axes in (
            budget_figures.shares_over_load(shares, option),
            budget_figures.shares_over_temperature(
                shares, option, f"error at {shares.case.check_loads[1]:g} N"
            ),
        ):
            for line in axes.lines:
                looks.setdefault(str(line.get_label()), set()).add(
                    (str(line.get_color()), str(line.get_marker()))
                )
    named = {name: look for name, look in looks.items() if not name.startswith("_")}
    assert named and all(len(look) == 1 for look in named.values())
    assert len(set.union(*named.values())) == len(named)


def test_bars_have_the_length_of_the_change(budget: ErrorBudget) -> None:
    """Bars begin at the error as it is and end at that of the changed case, the largest change on top."""
    axes = budget_figures.action_bars(budget, "one-point")
    names = [label.get_text() for label in axes.get_yticklabels()]
    rows = budget.actions[(budget.actions["option"] == "one-point") & (budget.actions["by"] == "factor")]
    base = float((rows["error_N"] - rows["error_change_N"]).mean())
    longest = []
    for bars in axes.containers:
        of = rows[rows["change"] == bars.get_label()].set_index("factor").loc[names]
        assert [bar.get_x() for bar in bars] == pytest.approx([base] * len(names))
        assert [bar.get_width() for bar in bars] == pytest.approx(of["error_change_N"].tolist())
        longest.append(np.abs(of["error_change_N"].to_numpy()))
    sizes = np.max(longest, axis=0)
    assert np.all(np.diff(sizes) <= 0.0)
    assert {bars.get_label() for bars in axes.containers} == {"frozen", "halved", "doubled"}


@pytest.mark.parametrize("output", [MARGIN, FAILING])
def test_dots_stand_at_main_and_total_effect(budget: ErrorBudget, output: str) -> None:
    """Open and full dots of the resolved factors in percent, the largest total effect on top; those of cured units
    likewise; what is not shown is counted."""
    rows = budget.shares.effects
    rows = rows[(rows["option"] == "one-point") & (rows["output"] == output) & (rows["by"] == "factor")]
    shown = rows[rows["verdict"] == "resolved"].sort_values("total", ascending=False)
    if output == MARGIN:
        axes, names = budget_figures.effect_dots(budget.shares, "one-point", MARGIN), ("main", "total")
    else:
        axes, names = budget_figures.cured_dots(budget.shares, "one-point"), ("cured",)
    dots = {line.get_label(): line.get_xdata() for line in axes.lines}
    for name in names:
        assert dots[f"{name} effect"] == pytest.approx(100.0 * shown[name].to_numpy())
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels[: len(shown)] == shown["group"].tolist()
    assert len(shown) < len(rows)
    assert labels[-1].startswith(f"{len(rows) - len(shown)} more")


def test_the_json_keeps_its_schema(
    budget: ErrorBudget,
    constant: ErrorBudget,
    contents: dict[str, str],
    constant_contents: dict[str, str],
) -> None:
    """budget.json validates against the shipped schema, with and without what is asked for, and where outputs are
    constant; its numbers are those of the budget."""
    schema = json.loads(budget_page.schema_path().read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    for each, files in ((budget, contents), (constant, constant_contents)):
        document = json.loads(files["budget.json"])
        jsonschema.validate(document, schema, cls=jsonschema.Draft202012Validator)
        pd.testing.assert_frame_equal(
            pd.DataFrame(document["actions"]), each.actions.reset_index(drop=True), check_dtype=False
        )
    assert document["undetermined"] and document["effects"][-1]["total"] is None
    assert "shapley" not in document and "second_order" not in document
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**document, "more": 1}, schema, cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize("option", ["none", "one-point", None])
def test_the_terminal_shows_the_leading_causes(budget: ErrorBudget, option: str | None) -> None:
    """Nothing is cut at any width; causes by falling total effect, dependent factors named as one group."""
    for width in (40, 60, 120):
        narrow = budget_page.render(budget, option, width)
        assert max(map(len, narrow.splitlines())) <= width
        assert "…" not in narrow
    text = budget_page.render(budget, option, 80)
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    name = budget.leading_option if option is None else option
    assert repr(name) in text
    body = lines[lines.index(next(line for line in lines if line.startswith("Rank"))) + 1 :]
    table = body[: body.index(next(line for line in body if line.startswith("Note:")))]
    table = table[
        next(place for place, line in enumerate(table) if line.startswith("   1") or "1=" in line) :
    ]
    rows = budget.shares.effects
    rows = rows[(rows["option"] == name) & (rows["output"] == MARGIN) & (rows["by"] == "factor")]
    first = rows.sort_values("total", ascending=False)["group"].iloc[0]
    assert str(first)[:20] in table[0]
    assert "One group, because they depend on each other" in text
    assert text.count("Runs:") == 4


def test_a_margin_that_is_constant_is_told(constant: ErrorBudget, constant_contents: dict[str, str]) -> None:
    """Where a calibration takes out everything the page and the terminal say that nothing moved, and draw no
    effects of rounding."""
    told = "conformity margin: constant 1 in all of"
    assert told in budget_page.render(constant, "one-point")
    html = constant_contents["budget.html"]
    assert told in html
    cells = [cell for row in read(html).rows for cell in row]
    assert "undefined" in cells and not any("too few draws" in cell for cell in cells)
    assert "shares-over-load.svg" in constant_contents
    assert "shares-over-temperature.svg" not in constant_contents


def test_a_budget_is_written_and_a_foreign_folder_is_refused(constant: ErrorBudget, tmp_path: Path) -> None:
    """What `contents` holds lies in the folder; files of someone else are left alone."""
    page = budget_page.write(constant, tmp_path / "budget")
    assert page == tmp_path / "budget" / "budget.html"
    listed = json.loads(page.with_name("budget.json").read_text(encoding="utf-8"))["files"]
    assert {path.name for path in page.parent.iterdir()} == {*listed, "manifest.json"}
    assert len(pd.read_csv(page.with_name("actions.csv"))) == len(constant.actions)
    (page.parent / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(FolderNotOurs, match=r"notes\.txt"):
        budget_page.write(constant, page.parent)


def test_figures_that_were_not_asked_for_are_refused(budget: ErrorBudget) -> None:
    """Shares over temperature that were left out raise and say how to get them."""
    without = dataclasses.replace(budget.shares, over_temperature=None)
    with pytest.raises(ValueError, match="over_temperature=True"):
        budget_figures.shares_over_temperature(without, "none", "error at 31 N")
