"""Controls of 'What if' move the numbers that Python computes from the same stored units.

That those agree with real runs is tried in `tests/estimates/test_what_if.py`, and that the script computes what Python
does to 1e-9 in `tests/report/test_what_if_fragment.py`; here a reader's hand is tried.
"""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from browser_page import Opened

from margin.estimates.what_if import what_if

OPTION = "two points, 2 reloads, thermometer"


def told(opened: Opened) -> str:
    """The line of yield and bound."""
    opened.page.wait_for_timeout(60)
    return str(opened.page.locator(".what-if-said").inner_text())


def percents(text: str) -> list[float]:
    """Percentages that a line shows."""
    return [float(number) for number in re.findall(r"(\d+(?:\.\d+)?)(?= %)", text)]


def choose(opened: Opened, option: str) -> None:
    opened.page.evaluate(
        """(option) => {
          const chooser = document.querySelector(".what-if select") || document.getElementById("option-in-focus");
          chooser.value = option;
          chooser.dispatchEvent(new Event("change", {bubbles: true}));
        }""",
        option,
    )


def put(opened: Opened, label: str, value: float) -> None:
    """Write a number beside a slider, as a reader does."""
    box = opened.page.locator(f'.what-if input[type=number][aria-label^="{label}"]').first
    box.fill(f"{value:g}")
    box.press("Tab")


@pytest.mark.parametrize(
    ("label", "moves"),
    [
        ("Permissible error", lambda each: (80.0, {"limit": 0.8})),
        (
            "sensor.reload_scatter",
            lambda each: (1.25 * each["present"], {"spreads": {each["name"]: {"scale": 1.25}}}),
        ),
        (
            "sensor.temperature_coefficient",
            lambda each: (0.75 * each["present"], {"spreads": {each["name"]: {"scale": 0.75}}}),
        ),
    ],
    ids=["limit", "reload scatter", "temperature coefficient"],
)
def test_a_move_by_hand_shows_what_python_finds(opened: Opened, label: str, moves: Any) -> None:
    """Yield and its interval, moved by a number box, are those of `what_if` to the digits shown; a reset undoes it."""
    opened.open_all()
    payload = json.loads(opened.page.locator("script[type='application/json'][id$=payload]").text_content())
    choose(opened, OPTION)
    before = told(opened)
    each = next((one for one in payload["movables"] if one["name"].startswith(label)), {})
    value, asked = moves(each)
    put(opened, label, value)
    after = told(opened)
    assert after != before
    found = what_if(payload, {"option": OPTION, **asked})
    assert found["carries"]
    expected = [100.0 * found["yield"][end] for end in ("value", "low", "high")]
    assert percents(after)[:3] == pytest.approx(expected, abs=0.051)
    opened.page.locator(".what-if button").click()
    assert told(opened) == before
