"""The 'what if' fragment of the page: its script computes what Python does, and its controls have names."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from what_if_study import pad, run

from margin.estimates.what_if import WhatIf, what_if_payload
from margin.report.what_if import script, what_if_fragment

CHROMIUM = shutil.which("chromium")
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on PATH to run the script in")

UNIT, EXPONENT = "sensor.sensitivity per unit", "sensor.exponent per unit"
MOVES: list[dict[str, Any]] = [
    {"option": "one point"},
    {"option": "none", "limit": 1.5, "target": 0.9},
    {"option": "one point", "limit": 0.7},
    {"option": "none", "spreads": {EXPONENT: {"scale": 0.5}}},
    {"option": "one point", "spreads": {EXPONENT: {"scale": 2.0}, UNIT: {"scale": 0.7, "shift": 0.4}}},
    {"option": "none", "spreads": {"station.reference_gain per station": {"scale": 2.0}}},
    {"option": "one point", "spreads": {"circuit.feedback per unit": {"scale": 1.6, "shift": -0.3}}},
    {"option": "one point", "spreads": {"sensor.reload_scatter (each loading)": {"scale": 1.7}}},
    {"option": "none", "spreads": {"circuit.offset per unit": {"scale": 1.4, "shift": 0.2}}},
    {"option": "none", "spreads": {EXPONENT: {"shift": 6.0}}},
]


@pytest.fixture(scope="module")
def payload() -> dict[str, Any]:
    """Stored units of a pad, anchored at a study."""
    found = what_if_payload(run(pad(units=20_000)), units=960, command="margin estimate 'a pad.toml'")
    assert found is not None
    return found


def dom_of(page: Path) -> str:
    """The document after its scripts have run, without a network."""
    assert CHROMIUM is not None
    words = [
        CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--virtual-time-budget=10000",
        f"--user-data-dir={page.parent / 'browser'}", "--host-resolver-rules=MAP * ~NOTFOUND", "--dump-dom",
        page.as_uri(),
    ]  # fmt: skip
    return subprocess.run(words, capture_output=True, text=True, check=True, timeout=120).stdout


def differences(one: Any, other: Any, place: str = "") -> Iterator[str]:
    """Places where two documents differ by more than 1e-9."""
    if isinstance(one, dict):
        if set(one) != set(other):
            yield f"{place}: {sorted(set(one) ^ set(other))}"
            return
        for key in one:
            yield from differences(one[key], other[key], f"{place}/{key}")
    elif isinstance(one, list):
        if len(one) != len(other):
            yield f"{place}: {len(one)} and {len(other)}"
        for k, (a, b) in enumerate(zip(one, other, strict=False)):
            yield from differences(a, b, f"{place}/{k}")
    elif isinstance(one, float | int) and not isinstance(one, bool):
        if abs(one - other) > 1e-9 * max(abs(one), 1.0):
            yield f"{place}: {one} and {other}"
    elif one != other:
        yield f"{place}: {one} and {other}"


@needs_browser
def test_the_script_computes_what_python_does(payload: dict[str, Any], tmp_path: Path) -> None:
    """Yield, bound, band, effective units and command agree to 1e-9 for moves of every kind."""
    page = tmp_path / "numbers.html"
    data = json.dumps(payload).replace("<", "\\u003c")
    page.write_text(
        '<!DOCTYPE html><meta charset="utf-8"><pre id="found"></pre><script>'
        f"{script()}\nconst payload = {data};\nconst moves = {json.dumps(MOVES)};\n"
        'document.getElementById("found").textContent = JSON.stringify(moves.map((m) => whatIf(payload, m)));</script>',
        encoding="utf-8",
    )
    match = re.search(r'<pre id="found">(.*?)</pre>', dom_of(page), re.DOTALL)
    assert match is not None
    by_script = json.loads(html.unescape(match.group(1)))
    units = WhatIf(payload)
    by_python = [units.numbers(moves) for moves in MOVES]
    assert list(differences(by_python, by_script)) == []
    assert not by_python[-1]["carries"]
    assert by_python[-1]["command"].startswith("margin estimate 'a pad.toml' --change 'sensor.exponent=")


class _Controls(HTMLParser):
    """Identifiers that labels name, inputs, and live regions of a document."""

    def __init__(self) -> None:
        super().__init__()
        self.labelled: set[str] = set()
        self.inputs: list[dict[str, str | None]] = []
        self.live = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "label":
            self.labelled.add(str(given.get("for")))
        if tag in ("input", "select"):
            self.inputs.append(given)
        self.live += given.get("aria-live") == "polite"


@needs_browser
def test_the_controls_are_named_and_the_numbers_shown(payload: dict[str, Any], tmp_path: Path) -> None:
    """In a file opened from disk every control has a label, results are announced, and yield and band are drawn."""
    page = tmp_path / "page.html"
    page.write_text(
        f'<!DOCTYPE html><meta charset="utf-8"><body>{what_if_fragment(payload)}', encoding="utf-8"
    )
    dom = dom_of(page)
    controls = _Controls()
    controls.feed(dom)
    assert len(controls.inputs) > 2 * len(payload["movables"])
    assert all(each.get("id") in controls.labelled or each.get("aria-label") for each in controls.inputs)
    assert controls.live == 1
    found = WhatIf(payload).numbers({"option": payload["focus"]})
    assert f"Yield {100 * found['yield']['value']:.1f} %" in dom
    assert f"{found['effective_units']:.0f} effective units of {payload['units']}" in dom
    assert dom.count("<svg") == 2


@needs_browser
@pytest.mark.parametrize(
    ("number", "said", "led"),
    [("0.03", "effective units", "Full study of the moved case:"), ("0.3", "do not carry", "Run again:")],
)
def test_a_number_moves_what_is_shown(
    payload: dict[str, Any], tmp_path: Path, number: str, said: str, led: str
) -> None:
    """A number typed in gives the moved yield and its command, or, where weights do not carry, the command alone."""
    each = next(m for m in payload["movables"] if m["name"] == EXPONENT)
    page = tmp_path / "page.html"
    page.write_text(
        f'<!DOCTYPE html><meta charset="utf-8"><body>{what_if_fragment(payload)}<script>'
        f"const box = document.querySelector('input[type=number][aria-label^=\"{EXPONENT}: {each['kind']}\"]');"
        f"box.value = '{number}'; box.dispatchEvent(new Event('change'));</script>",
        encoding="utf-8",
    )
    dom = html.unescape(dom_of(page))
    assert said in dom
    assert f"{led}<code>margin estimate 'a pad.toml' --change 'sensor.exponent=" in dom
    moves = {"option": payload["focus"], "spreads": {EXPONENT: {"scale": float(number) / each["present"]}}}
    found = WhatIf(payload).numbers(moves)
    assert found["carries"] == (led != "Run again:")
    assert found["command"] in dom
    if found["carries"]:
        assert f"Yield {100 * found['yield']['value']:.1f} %" in dom
    assert dom.count("<svg") == (2 if found["carries"] else 0)


def test_the_fragment_needs_nothing_from_elsewhere(payload: dict[str, Any]) -> None:
    """No address but the name of the SVG namespace stands in it, and no text of the case can end its script."""
    named = {**payload, "case": "</script><b>"}
    fragment = what_if_fragment(named)
    assert set(re.findall(r"https?://[^\"' ]+", fragment)) == {"http://www.w3.org/2000/svg"}
    assert "</script><b>" not in fragment
    assert not re.search(r"\b(fetch|XMLHttpRequest|import)\b\s*\(", fragment)
    assert fragment.count("</script>") == 2
