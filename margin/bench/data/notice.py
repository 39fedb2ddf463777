"""Notes on the data that a reader must see at once."""

from __future__ import annotations


class Notice(str):
    """A note on the data that stands on the screen too, not only on the page: what was read as what, and flagged."""
