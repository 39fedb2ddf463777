"""Colours of the page on light and dark ground, and the figures that follow them."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from margin.report import style

CSS = files("margin.report").joinpath("templates/page.html").read_text(encoding="utf-8")
LIGHT, DARK = re.findall(r":root \{(.*?)\}", CSS, flags=re.DOTALL)


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition)."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    linear = [
        value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
        for value in (int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4))
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, definition)."""
    low, high = sorted((luminance(first), luminance(second)))
    return (high + 0.05) / (low + 0.05)


def colours(root: str) -> dict[str, str]:
    """Colour by name."""
    return dict(re.findall(r"--([a-z]+): (#[0-9a-fA-F]{3,6});", root))


def test_the_ratio_of_black_and_white_is_21() -> None:
    """21:1 for black on white (WCAG 2.2, note to the definition)."""
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("root", [LIGHT, DARK])
def test_texts_are_readable_in_light_and_dark(root: str) -> None:
    """At least 4.5:1 for all colours of text on the ground of page and of controls (WCAG 2.2, 1.4.3); 3:1 for the
    ring of focus (1.4.11)."""
    found = colours(root)
    assert {"ground", "ink", "soft", "line", "good", "bad", "ring", "shade"} <= set(found)
    for name in ("ink", "soft", "good", "bad"):
        for ground in ("ground", "shade"):
            assert contrast(found[name], found[ground]) >= 4.5, (name, ground)
    assert contrast(found["ring"], found["ground"]) >= 3.0


def test_dark_is_for_screens_alone() -> None:
    """The dark colours are within a rule for screens, so that print stays light."""
    before = CSS[: CSS.index(DARK)]
    assert before.rstrip().endswith("@media screen and (prefers-color-scheme: dark) {\n  :root {")


@pytest.mark.parametrize("ground", [colours(LIGHT)["ground"], colours(DARK)["ground"]])
def test_lines_of_options_are_seen_on_both_grounds(ground: str) -> None:
    """At least 3:1 for marks of options that are not edged, and for grey lines (WCAG 2.2, 1.4.11)."""
    for colour in (style.BLUE, style.VERMILLION, style.GREEN, style.GREY):
        assert contrast(colour, ground) >= 3.0, colour


def test_coordinates_are_short_and_texts_are_left_alone() -> None:
    """Places are rounded to hundredths, numbers in texts and styles are not; rotations by nothing go."""
    text = (
        '<path d="M 44.256789 -0.123456 &#10;L 1.5e2 3" style="stroke-width: 0.123456"/>'
        '<text x="10.996" y="2.5" transform="rotate(-0 10.996 2.5)">95.12345</text>'
        '<text transform="rotate(-90 10.9962 2.5)">a</text>'
    )
    assert style.short_numbers(text) == (
        '<path d="M 44.26 -0.12 &#10;L 1.5e2 3" style="stroke-width: 0.123456"/>'
        '<text x="11" y="2.5">95.12345</text>'
        '<text transform="rotate(-90 11 2.5)">a</text>'
    )


def test_a_figure_is_as_wide_as_its_texts_need() -> None:
    """On a page a figure of 400 points is twice as wide as one of 200, whatever the window."""
    shown = style.inline(
        '<?xml?><svg id="a" width="400pt" height="1pt" viewBox="0 0 400 1"> <g/> </svg>', "name"
    )
    assert 'style="--wide: 36.0rem"' in shown and "width=" not in shown
    half = style.inline(
        '<?xml?><svg id="a" width="200pt" height="1pt" viewBox="0 0 200 1"> <g/> </svg>', "name"
    )
    assert 'style="--wide: 18.0rem"' in half
