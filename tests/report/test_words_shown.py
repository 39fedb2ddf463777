"""Numbers of the page stand in results.json in the same digits."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from margin.report import page
from margin.report.words_shown import words_shown

UNSEEN = r"<(head|script|style|svg|noscript)\b.*?</\1>"
"""Ticks and labels of figures are none of the page's numbers: their data stand in the tables and the CSV files."""


def texts(value: Any) -> Iterator[str]:
    """All texts of a JSON document."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for part in value.values() if isinstance(value, dict) else value:
            yield from texts(part)


def pieces(markup: str) -> list[str]:
    """Texts between two tags that a reader can see, found without the parser that wrote the document."""
    seen = re.sub(UNSEEN, "<>", markup, flags=re.DOTALL)
    return [text for piece in re.split(r"<[^>]*>", seen) if (text := " ".join(html.unescape(piece).split()))]


def test_every_number_of_the_page_stands_in_the_document(report: Path) -> None:
    """Each text of the page with a digit in it, table, sentence or heading, is part of a text of results.json."""
    shown = json.loads((report / "results.json").read_text(encoding="utf-8"))["shown"]
    told = "\n".join(texts(shown))
    with_numbers = [
        text
        for text in pieces((report / "report.html").read_text(encoding="utf-8"))
        if re.search(r"\d", text)
    ]
    assert len(with_numbers) > 200
    assert [text for text in with_numbers if text not in told] == []


def test_tables_stand_under_their_section_with_every_cell(report: Path) -> None:
    """There are as many tables, rows and cells as in the page, and each row has a cell under every column."""
    markup = re.sub(UNSEEN, "", (report / "report.html").read_text(encoding="utf-8"), flags=re.DOTALL)
    shown = json.loads((report / "results.json").read_text(encoding="utf-8"))["shown"]
    tables = [table for section in shown for table in section["tables"]]
    assert len(tables) == markup.count("<table") > 5
    assert all(len(row) == len(table["columns"]) for table in tables for row in table["rows"])
    cells = sum(len(row) for table in tables for row in [table["columns"], *table["rows"]])
    assert cells == len(re.findall(r"<t[dh]\b", markup))
    headings = [section["heading"] for section in shown if section["heading"]]
    assert len(headings) == len(re.findall(r"<section\b", markup)) + 1
    assert all(table["caption"] for table in tables)


def test_words_of_a_page_by_hand() -> None:
    """White space and marks are read as shown; figures, links and scripts are left out, a sentence stands once."""
    markup = page.page("Pad <A>", "conforms", True, "1.2.3", ())
    section = (
        "<section><h2>Yields &amp; more</h2><p>95.0&nbsp;% of <b>2</b>\n units</p><p>95.0 % of 2 units</p>"
        "<svg><text>7</text></svg><script>8</script><table><caption><span>Of 3</span></caption><thead><tr>"
        "<th>Load (N)</th><th>Error</th></tr></thead><tbody><tr><th>2</th><td></td></tr></tbody></table></section>"
    )
    first, second, last = words_shown(markup.replace("</main>", f"{section}</main>"))
    assert first["heading"] == "Pad <A>" and "Conforms" in first["sentences"]
    assert second == {
        "heading": "Yields & more",
        "tables": [{"caption": "Of 3", "columns": ["Load (N)", "Error"], "rows": [["2", ""]]}],
        "sentences": ["95.0 % of 2 units"],
    }
    assert last == {"heading": "", "tables": [], "sentences": ["margin 1.2.3"]}
