"""Words of a page that a reader sees before anything is opened, without a browser."""

from __future__ import annotations

from html.parser import HTMLParser

_UNSEEN = {"style", "script", "title", "noscript"}
_VOID = {"meta", "br", "hr", "img", "input", "link"}


class _Seen(HTMLParser):
    """Collects words outside closed <details> (but for their <summary>), `hidden` elements, styles and scripts."""

    def __init__(self) -> None:
        super().__init__()
        self.closed: list[tuple[str, bool]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _VOID:
            return
        given = dict(attrs)
        unseen = tag in _UNSEEN or "hidden" in given or (tag == "details" and "open" not in given)
        if tag == "summary" and self.closed and self.closed[-1] == ("details", True):
            # its own heading stays to be seen, unless something around it is closed
            self.closed[-1] = ("details", False)
            self.closed.append((tag, False))
            return
        self.closed.append((tag, unseen))

    def handle_endtag(self, tag: str) -> None:
        self.closed.pop()
        if tag == "summary":
            self.closed[-1] = ("details", True)

    def handle_data(self, data: str) -> None:
        if not any(unseen for _, unseen in self.closed):
            self.words += data.split()


def visible_words(html: str) -> list[str]:
    """The words, those of figures among them."""
    seen = _Seen()
    seen.feed(html)
    seen.close()
    return seen.words
