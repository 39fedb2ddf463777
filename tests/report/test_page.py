"""The HTML page."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from margin.case.types import Assumption
from margin.estimates.evaluate import evaluate
from margin.estimates.findings import computed
from margin.estimates.next_step import next_step
from margin.estimates.results import Results
from margin.estimates.what_if import what_if_payload
from margin.estimates.yield_result import Estimate
from margin.messages.sentences import said
from margin.report import page
from margin.report.document import to_document
from tests.pad_study import ONE_POINT, pad_case
from tests.visible_words import visible_words

VOID = {"meta", "br", "hr", "img", "input", "link"}


class Reader(HTMLParser):
    """Collects tags, ids, links and visible text; notes tags that do not close in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.tags: Counter[str] = Counter()
        self.ids: Counter[str] = Counter()
        self.links: list[str] = []
        self.images: list[dict[str, str | None]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._note(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._note(tag, attrs)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text.append(data)

    def _note(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        given = dict(attrs)
        if given.get("id"):
            self.ids[str(given["id"])] += 1
        for name in ("href", "src", "xlink:href"):
            if given.get(name):
                self.links.append(str(given[name]))
        if tag == "svg":
            self.images.append(given)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    return reader


def test_page_parses_and_closes_its_tags(html: str) -> None:
    """Tags nest and close, the document has one heading of first order, ids are unique."""
    found = read(html)
    assert not found.wrong
    assert not found.open
    assert found.tags["h1"] == 1
    assert [name for name, number in found.ids.items() if number > 1] == []


def test_page_needs_nothing_beside_it(html: str) -> None:
    """Nothing from elsewhere: the one script stands in the page, links point into it, addresses are namespaces."""
    found = read(html)
    assert found.tags["link"] == found.tags["img"] == found.tags["iframe"] == 0
    assert found.tags["script"] == 1 and "src=" not in html
    assert not re.search(r"<[^>]*\son[a-z]+=", html)
    assert all(link.startswith("#") for link in found.links)
    assert {link[1:] for link in found.links} <= set(found.ids)
    addresses = set(re.findall(r"https?://[^\s\"'<>)]+", html))
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert "@import" not in html


def test_pictures_have_names_for_those_who_cannot_see_them(html: str) -> None:
    """Every figure is an image with a label and scales with the page."""
    images = read(html).images
    assert len(images) >= 6
    assert all(image["role"] == "img" and image["aria-label"] for image in images)
    assert all("viewbox" in image and "width" not in image for image in images)


def test_tables_have_captions_and_heads(html: str) -> None:
    """Every table has a caption and column headings."""
    found = read(html)
    assert found.tags["table"] == found.tags["caption"] == found.tags["thead"] > 10


@pytest.mark.usefixtures("undrawn")
def test_names_are_text_not_markup(results: Results) -> None:
    """A case, option or factor named like markup is shown as its name."""
    spec = replace(results.options[0].spec, name="<i>none</i>")
    named = replace(
        results,
        case=replace(results.case, name="<b>x</b>"),
        options=(replace(results.options[0], spec=spec), *results.options[1:]),
        cautions=("<script>alert(1)</script>",),
    )
    html = page.render(named)
    assert "<b>x</b>" not in html
    assert "<i>none" not in html
    assert "<script>alert" not in html
    assert "&lt;b&gt;x&lt;/b&gt;" in html
    assert not read(html).wrong


def test_first_page_says_what_decides(results: Results, html: str) -> None:
    """Headline, requirement, causes, next step, reasons to distrust and cautions come before everything else, in this
    order."""
    first = html[: html.index('id="yields"')].replace("\N{NO-BREAK SPACE}", " ")
    parts = (
        "Calibration &#39;two-point&#39; conforms: at least 97.3 % of units, 95 % required", "Permissible error:",
        "Recommended: two-point", 'role="img"', "If halved, yield becomes", "98.1", "What to change first",
        "Reasons to distrust", "Assumed, not measured: 1 spreads", "Not stated: 2 values", "Design checks:",
        "Cautions", results.cautions[0], "seed 11",
    )  # fmt: skip
    places = [first.index(part) for part in parts]
    assert places == sorted(places)


def test_every_part_of_the_results_is_there(results: Results, html: str) -> None:
    """Cautions, readings of tolerances, defaults and assumptions are printed in full."""
    text = "".join(read(html).text)
    case = results.case
    for sentence in (*results.cautions, *case.readings, *case.defaults, *case.assumed):
        assert sentence in text
    assert (
        "a: root sum square too narrow; with second order it agrees (no first-order term: sensor.offset"
        in text
    )


def test_numbers_have_units_and_none_is_nan(html: str) -> None:
    """No cell shows nan, inf or a negative zero; headings of bare numbers carry the unit."""
    text = " ".join(read(html).text)
    assert not re.search(r"\b(nan|inf|None)\b", text)
    assert not re.search(r"(?<![\d.e])-0(\.0+)?(?![\d.])", text)
    for heading in ("Load (N)", "Permissible (N)", "One count (mN)", "Extreme value (N)"):
        assert heading in text


@pytest.mark.usefixtures("undrawn")
def test_zero_load_has_no_percentage_of_reading(results: Results) -> None:
    """Where the load is zero the percentage of reading is not determined, with the reason."""
    option = results.options[2]
    errors = option.errors.copy()
    errors.loc[0, "p95_abs_reading"] = float("nan")
    changed = replace(
        results, options=(replace(option, errors=errors),), recommendation=results.recommendation
    )
    assert "not determined (no percentage at zero load)" in page.render(changed)


@pytest.mark.usefixtures("undrawn")
def test_page_without_budget(results: Results) -> None:
    """A study without a budget says so instead of drawing empty bars."""
    text = page.render(replace(results, budget=results.budget.iloc[:0]))
    assert "this study was run without a budget" in text


def test_budget_in_full_names_what_is_below_resolution(html: str) -> None:
    """Causes that move nothing are named for the option shown in full and counted for the others."""
    text = "".join(read(html).text)
    assert "1 further cause(s) below resolution, with numbers in budget.csv: converter noise." in text
    assert "1 further cause(s) below resolution, with numbers in budget.csv." in text


@pytest.mark.usefixtures("undrawn")
def test_the_lower_bound_carries_the_interval_of_what_it_was_taken_from(results: Results, html: str) -> None:
    """Where what is not known sets the bound, the page shows both ends of the interval of its 5 % point, in the
    format of the other options."""
    found = results.option("two-point")
    decisive = found.decisive_yield
    assert decisive.knowledge is not None
    known = Estimate(decisive.knowledge[0], 0.93, 0.972)
    yields = {**found.yields, found.decisive: replace(decisive, known_low=known)}
    options = tuple(replace(o, yields=yields) if o.name == "two-point" else o for o in results.options)
    text = "".join(read(page.render(replace(results, options=options))).text).replace(
        "\N{NO-BREAK SPACE}", " "
    )
    assert "95.7 % (93.0 to 97.2 %)" in text
    before = "".join(read(html).text).replace("\N{NO-BREAK SPACE}", " ")
    assert "95.7 %" in before and "95.7 % (93" not in before


@pytest.mark.usefixtures("undrawn")
def test_the_page_tells_what_an_accelerator_computed(results: Results, html: str) -> None:
    """What was drawn there and what was not stands under how it was computed, and only then."""
    told = "Readings drawn and computed by a kernel on an accelerator"
    assert told in page.render(replace(results, path="device"))
    assert told not in html


def test_the_next_step_finds_what_a_named_condition_assumes(results: Results) -> None:
    """A leading cause of one condition of use is looked up among the assumptions under the condition's name."""
    line = "use.temperature (cold): +/- 5 K per condition (stated, not measured)"
    budget = results.budget.replace(
        {
            "factor": {"reload repeatability": "use.temperature (cold) per condition"},
            "level": {"loading": "condition"},
        }
    )
    shown = replace(
        results,
        budget=budget,
        case=replace(results.case, assumptions=(Assumption(line, "use.temperature (cold)", "condition"),)),
    )
    assert said(next_step(shown)) == f"measure what is assumed and counts most: {line}"


@pytest.mark.usefixtures("undrawn")
def test_a_case_that_was_not_compiled_says_why(results: Results) -> None:
    """Page, caption and JSON of a large study by array operations give the reason."""
    told = replace(results, uncompiled="a branch on drawn values")
    assert "not by a compiled kernel: a branch on drawn values" in page.render(told)
    assert "not compiled (a branch on drawn values)" in said(computed(told))
    assert to_document(told)["computed"]["uncompiled"] == "a branch on drawn values"
    assert to_document(results)["computed"]["uncompiled"] == ""


def test_evidence_is_folded_with_its_answer_in_the_heading(html: str) -> None:
    """The first page is open; every other section is closed and says its answer in one line."""
    folds = html.count('<details class="evidence">')
    assert folds == html.count("<section ") - 1
    first, *rest = html.split('<details class="evidence">')
    assert "Recommended:" in first and "What to change first" in first
    answered = [part for part in rest if '<span class="answer"' in part.split("</summary>")[0]]
    # without shares there is no answer to what sets them
    assert len(answered) == len(rest) - 2


def test_little_is_read_before_anything_is_opened(html: str) -> None:
    """At most 1 200 words outside what is closed, those of figures and of closed headings among them."""
    words = visible_words(html)
    assert 150 < len(words) <= 1200
    assert "Yields" in words and "Interpretation" not in words


def test_long_tables_are_folded_with_their_count(results: Results, html: str) -> None:
    """A table of many rows is closed; its caption says how many there are."""
    folded = re.findall(r'<details class="long"><summary>.*? \((\d+) rows\)</summary>', html)
    corners = len(re.findall(r"<summary>The largest extreme value", html))
    assert sum(int(count) <= 12 for count in folded) == corners == len(results.options)
    assert sum(int(count) > 12 for count in folded) >= 1


@pytest.mark.usefixtures("undrawn")
def test_what_if_is_a_section_of_its_own_where_there_is_a_payload() -> None:
    """A study that can be moved carries its controls, the command of a re-run, and nothing from elsewhere."""
    case = pad_case(ONE_POINT, sensor={"sensitivity": "4 uS +/- 8 %"}, circuit={"offset": "0 mV +/- 1 mV"})
    found = evaluate(case, workers=1)
    payload = what_if_payload(found, command="margin estimate pad.toml")
    assert payload is not None
    parts = page.report_sections(found, payload)
    assert [part.heading for part in parts][:2] == ["Summary", "What if"]
    html = page.render_sections(found, parts)
    assert "margin estimate pad.toml" in html and "mountWhatIf" in html
    assert "http://" not in html.replace("http://www.w3.org", "") and "src=" not in html
    assert [name for name, number in read(html).ids.items() if number > 1] == []


@pytest.mark.parametrize("conforms", [True, False, None])
def test_a_verdict_keeps_its_units(conforms: bool | None) -> None:
    """Its first letter alone becomes a capital: 40 N stay newtons."""
    made = page.page("Diagnosis", "unusual: error at 40 N", conforms, "0", ())
    assert ">Unusual: error at 40 N<" in made
