"""A report page that a browser has opened."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass
class Opened:
    """A page of the browser, and what it said and asked for since it was opened."""

    page: Any
    folder: Path
    complaints: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def open_all(self) -> None:
        """Open everything that is folded."""
        self.page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")

    @property
    def results(self) -> dict[str, Any]:
        """The JSON document beside the page."""
        return dict(json.loads((self.folder / "results.json").read_text(encoding="utf-8")))
