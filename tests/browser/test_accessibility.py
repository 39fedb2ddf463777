"""Rules of accessibility on the report page, light and dark."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import pytest
from browser_page import Opened

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]
"""Web Content Accessibility Guidelines 2.0 and 2.1, levels A and AA, as axe-core tags its rules."""

ALIKE = "document.querySelectorAll('tbody tr:nth-child(n + 4)').forEach((each) => { each.remove(); })"


def axe() -> str:
    """The rules' own script, which runs in the page."""
    found = find_spec("axe_core_python")
    if found is None or found.origin is None:
        pytest.skip("no rules of accessibility: install the extra 'browser'")
    return Path(found.origin).with_name("axe.min.js").read_text(encoding="utf-8")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_fault_of_accessibility(opened: Opened, scheme: str) -> None:
    """Unfolded, the page breaks no rule whose impact is serious or critical: names, contrast, tables, headings.

    Of each table three rows are looked at, for the others are made alike, and of a figure its name; colours alone
    differ in the dark.
    """
    opened.page.emulate_media(color_scheme=scheme)
    opened.open_all()
    opened.page.evaluate(ALIKE)
    opened.page.evaluate(axe())
    asked = (
        {"type": "tag", "values": RULES}
        if scheme == "light"
        else {"type": "rule", "values": ["color-contrast"]}
    )
    found = opened.page.evaluate(
        "(asked) => axe.run({exclude: [['svg > *']]}, {runOnly: asked, resultTypes: ['violations', 'passes']})",
        asked,
    )
    assert len(found["passes"]) > (10 if scheme == "light" else 0)
    faults = [
        f"{fault['id']}: {node['target']} {node['html'][:90]} {node['failureSummary']}"
        for fault in found["violations"]
        if fault["impact"] in ("serious", "critical")
        for node in fault["nodes"]
    ]
    assert faults == []


def test_the_page_follows_the_scheme(opened: Opened) -> None:
    """Paper is darker than ink where the reader's system is dark, and lighter where it is light."""
    brightness = """() => ["backgroundColor", "color"].map((one) =>
      getComputedStyle(document.body)[one].match(/\\d+/g).slice(0, 3).reduce((sum, part) => sum + Number(part), 0))"""
    paper, ink = opened.page.evaluate(brightness)
    assert paper > ink
    opened.page.emulate_media(color_scheme="dark")
    paper, ink = opened.page.evaluate(brightness)
    assert paper < ink
