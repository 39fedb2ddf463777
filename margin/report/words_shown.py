"""Words of a page as it shows them, read back from the page itself, so that none can be missing from its data."""

from __future__ import annotations

from html.parser import HTMLParser
from typing import Any

UNSEEN = frozenset({"head", "nav", "noscript", "script", "style", "svg"})
"""Elements left out: links repeat the headings, figures have data of their own."""

_INLINE = frozenset({"a", "abbr", "b", "code", "em", "i", "small", "span", "strong", "sub", "sup"})
_HEADINGS = ("h1", "h2")
_CELLS = ("td", "th")


class _Reader(HTMLParser):
    """Collects sections with their tables and sentences; text ends where an element that is none of a line does."""

    def __init__(self) -> None:
        super().__init__()
        self.sections: list[dict[str, Any]] = []
        self._unseen = 0
        self._words: list[str] = []
        self._table: dict[str, Any] | None = None
        self._row: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in UNSEEN:
            self._unseen += 1
        if self._unseen or tag in _INLINE:
            return
        self._sentence()
        if tag in ("section", "footer") or not self.sections:
            self.sections.append({"heading": "", "tables": [], "sentences": []})
        if tag == "table":
            self._table = {"caption": "", "columns": [], "rows": []}
        elif tag == "tr":
            self._row = []

    def handle_endtag(self, tag: str) -> None:
        if tag in UNSEEN:
            self._unseen -= 1
            return
        if self._unseen or tag in _INLINE:
            return
        if tag in _CELLS:
            self._row.append(self._taken())
        elif self._table is not None and tag == "caption":
            self._table["caption"] = self._taken()
        elif self._table is not None and tag == "thead":
            # the row of names has ended as a row of the table
            self._table["columns"] = self._table["rows"].pop()
        elif self._table is not None and tag == "tr":
            self._table["rows"].append(self._row)
        elif self._table is not None and tag == "table":
            self.sections[-1]["tables"].append(self._table)
            self._table = None
        elif tag in _HEADINGS and not self.sections[-1]["heading"]:
            self.sections[-1]["heading"] = self._taken()
        else:
            self._sentence()

    def handle_data(self, data: str) -> None:
        if not self._unseen:
            self._words.append(data)

    def _taken(self) -> str:
        """Text since the last element that is none of a line, its white space as shown."""
        text = " ".join("".join(self._words).split())
        self._words = []
        return text

    def _sentence(self) -> None:
        text = self._taken()
        if text and text not in self.sections[-1]["sentences"]:
            self.sections[-1]["sentences"].append(text)


def words_shown(page: str) -> list[dict[str, Any]]:
    """Sections of a page in their order: heading, tables (caption, columns, rows of cells) and other sentences.

    Sentences that a section shows several times stand there once. Words that a script writes are not in the page.
    """
    reader = _Reader()
    reader.feed(page)
    reader.close()
    return [found for found in reader.sections if found["heading"] or found["tables"] or found["sentences"]]
