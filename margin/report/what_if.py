"""'What if' on the report page: an element, its payload and the script that answers from it, without a server.

Interface for a page:

    payload = margin.estimates.what_if.what_if_payload(results, command="margin estimate case.toml")
    fragment = "" if payload is None else what_if_fragment(payload)

The fragment is self-contained: one <div>, its style, the payload as JSON and the script. It asks nothing of the page
around it, loads nothing, and works in a file opened from disk. A page that shows several gives each its own identifier.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from html import escape
from importlib.resources import files
from typing import Any

STYLE = """\
.what-if fieldset { border: 1px solid var(--line, #c9cdd1); margin: .6rem 0; padding: .4rem .8rem; }
.what-if-row { display: grid; grid-template-columns: minmax(14rem, 3fr) 4fr 7rem minmax(4rem, 1fr); gap: .2rem .7rem;
  align-items: center; margin: .25rem 0; font-size: .86rem; }
.what-if-row input[type=range] { width: 100%; }
.what-if-row input[type=number] { width: 100%; font: inherit; }
.what-if code { display: block; overflow-x: auto; white-space: pre-wrap; overflow-wrap: anywhere; padding: .4rem .6rem;
  background: var(--shade, #f4f5f6); font-size: .82rem; }
.what-if svg { display: block; width: 100%; max-width: 34rem; height: auto; font-weight: 400; }
.what-if :focus-visible { outline: 2px solid var(--ring, #0072B2); outline-offset: 2px; }
@media (max-width: 40rem) { .what-if-row { grid-template-columns: 1fr 1fr; } }
@media print { .what-if { display: none; } }
"""


@cache
def script() -> str:
    """The script: `whatIf(payload, moves)` and `mountWhatIf(element, payload)`."""
    return files("margin.report").joinpath("templates/what_if.js").read_text(encoding="utf-8")


def what_if_fragment(payload: Mapping[str, Any], identifier: str = "what-if") -> str:
    """HTML of the controls and their numbers: a <div>, a <style> and <script> elements, about as long as the payload.

    payload     of `margin.estimates.what_if.what_if_payload`
    identifier  of the element, unique on the page

    Without scripts the reader sees one sentence that says what is missing.
    """
    data = json.dumps(payload, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")
    name = escape(identifier, quote=True)
    return (
        f"<style>\n{STYLE}</style>\n"
        f'<div class="what-if" id="{name}"><noscript><p>The controls need scripts to be allowed.</p></noscript></div>\n'
        f'<script type="application/json" id="{name}-payload">{data}</script>\n'
        f"<script>\n(() => {{\n{script()}\n"
        f"const payload = JSON.parse(document.getElementById({_text(identifier + '-payload')}).textContent);\n"
        f"mountWhatIf(document.getElementById({_text(identifier)}), payload);\n"
        "})();\n</script>\n"
    )


def _text(text: str) -> str:
    return json.dumps(text).replace("<", "\\u003c")
