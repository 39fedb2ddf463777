"""The report page in a browser: quiet, by keyboard alone, at every width, on paper, its numbers in the JSON."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from browser_page import Opened

PRINTABLE_WIDTH, PRINTABLE_HEIGHT = 184.0, 273.0
"""mm inside the page's margins on A4 (ISO 216: 210 mm by 297 mm), as the style sheet's `@page` states them."""

CONTROLS = "summary, select, input, button, a[href], [tabindex='0']"
UNREACHED = """(controls) => [...document.querySelectorAll(controls)]
  .filter((each) => each.checkVisibility({visibilityProperty: true}) && !each.dataset.reached)
  .map((each) => each.outerHTML.slice(0, 90))"""
STEP = """() => {
  const here = document.activeElement;
  if (here === document.body || here.dataset.reached) return false;
  here.dataset.reached = "yes";
  return true;
}"""
SCROLLED = """() => [...document.querySelectorAll("main *")].filter((each) => {
  const flow = getComputedStyle(each).overflowX;
  return (flow === "auto" || flow === "scroll") && each.scrollWidth > each.clientWidth + 1
    && each.checkVisibility() && !each.dataset.reached && !each.querySelector("[data-reached]");
}).map((each) => each.outerHTML.slice(0, 90))"""


def test_the_page_is_quiet_and_asks_for_nothing(opened: Opened) -> None:
    """Opened, unfolded and moved, it writes nothing to the console, and the page itself is all that is loaded."""
    opened.open_all()
    opened.page.locator(".what-if input[type=range]").first.press("ArrowRight")
    opened.page.wait_for_timeout(50)
    assert opened.complaints == []
    assert opened.asked == [(opened.folder / "report.html").as_uri()]


@pytest.mark.parametrize("width", [390, 1200])
def test_the_page_is_no_wider_than_the_window(opened: Opened, width: int) -> None:
    """On a telephone and on a screen nothing but a table or a figure in its own frame scrolls sideways."""
    opened.page.set_viewport_size({"width": width, "height": 900})
    folded = opened.page.evaluate("document.documentElement.scrollWidth")
    opened.open_all()
    assert max(folded, opened.page.evaluate("document.documentElement.scrollWidth")) <= width


def test_the_keyboard_reaches_every_control(opened: Opened) -> None:
    """On a narrow screen, where tables scroll, the tab key alone comes to all that can be opened, chosen, moved or
    scrolled (WCAG 2.2, 2.1.1); Enter folds a section."""
    page = opened.page
    page.set_viewport_size({"width": 390, "height": 900})
    opened.open_all()
    page.keyboard.press("Tab")
    steps = 0
    while page.evaluate(STEP):
        page.keyboard.press("Tab")
        steps += 1
    assert steps > 20
    assert page.evaluate(UNREACHED, CONTROLS) == []
    assert page.evaluate(SCROLLED) == []
    page.locator("details > summary").first.press("Enter")
    assert not page.evaluate("document.querySelector('details > summary').parentElement.open")


def test_the_first_page_fits_one_sheet(opened: Opened) -> None:
    """Printed on A4, the headline and the first section end on the first page, and nothing is cut at its side.

    CSS Values and Units, level 4: 96 px are 25.4 mm.
    """
    page, px = opened.page, 96.0 / 25.4
    page.emulate_media(media="print")
    page.set_viewport_size({"width": int(PRINTABLE_WIDTH * px), "height": int(PRINTABLE_HEIGHT * px)})
    bottom = page.evaluate(
        "document.querySelector('main > section').getBoundingClientRect().bottom + scrollY"
    )
    assert 0.4 * PRINTABLE_HEIGHT * px < bottom <= PRINTABLE_HEIGHT * px
    opened.open_all()
    beyond = page.evaluate("""() => [...document.querySelectorAll("main *")]
      .filter((each) => each.checkVisibility() && each.getBoundingClientRect().right > innerWidth + 1)
      .map((each) => `${each.tagName} ${each.textContent.slice(0, 60)}`)""")
    assert beyond == []


def test_a_print_is_whole(opened: Opened) -> None:
    """What the browser prints has a first sheet of its own and, unfolded, several more with the evidence."""
    folded = opened.page.pdf(prefer_css_page_size=True)
    opened.open_all()
    unfolded = opened.page.pdf(prefer_css_page_size=True)
    assert sheets(folded) == 1
    assert sheets(unfolded) > 3


def sheets(pdf: bytes) -> int:
    """Pages of a PDF (ISO 32000-1, 7.7.3.3: an object of type Page each)."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def texts(value: Any) -> Iterator[str]:
    """All texts of a JSON document."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for part in value.values() if isinstance(value, dict) else value:
            yield from texts(part)


def test_every_number_that_is_seen_stands_in_the_document(opened: Opened) -> None:
    """Each word with a digit in it that the browser shows, whatever is unfolded or chosen, is a word of results.json.

    Left out are the ticks of figures, whose data the tables and CSV files hold, and what the reader moves under 'What
    if', which depends on the move (`test_moves_in_browser.py`).
    """
    opened.open_all()
    opened.page.add_style_tag(content="svg, .what-if, nav { display: none !important; }")
    opened.page.evaluate("document.querySelectorAll('[hidden]').forEach((each) => { each.hidden = false; })")
    seen = opened.page.evaluate("document.body.innerText").split()
    told = {word for text in texts(opened.results) for word in text.split()}
    numbers = [word for word in seen if re.search(r"\d", word)]
    assert len(numbers) > 500
    assert sorted({word for word in numbers if word not in told}) == []
