"""Figure of rare failures: what makes the most probable failing unit fail."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from margin.estimates.failing_unit import FailingUnit
from margin.estimates.rare_findings import failing_unit
from margin.messages.rare_sentences import failing_at
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDEST, _WIDEST_VALUE = 36, 28


def failing_unit_by_factor(unit: FailingUnit, ax: Axes | None = None, *, most: int = 12) -> Axes:
    """Deviation of each factor of the unit from its median, the furthest on top, with its value at the right."""
    rows = unit.parts.head(most)
    axes = style.axes_of(ax, 7.2, 1.2 + 0.36 * max(len(rows), 1))
    labels, values = [], []
    for place, row in enumerate(rows.to_dict("records")):
        score = float(row["score"])
        axes.barh(place, score, height=0.55, color=style.SKY, edgecolor=style.BLACK, lw=0.8)
        name = ", ".join(word for word in (str(row["factor"]), str(row["where"])) if word)
        labels.append("\n".join(textwrap.wrap(name, _WIDEST, max_lines=2, placeholder=" …")))
        values.append(
            "\n".join(textwrap.wrap(str(row["value"]), _WIDEST_VALUE, max_lines=2, placeholder=" …"))
        )
    rest = len(unit.parts) - len(rows)
    if rest:
        labels.append(f"{rest} more of less weight")
    axes.axvline(0.0, color=style.BLACK, lw=0.8)
    beside = axes.secondary_yaxis("right")
    beside.set_yticks(range(len(values)), values)
    beside.tick_params(length=0)
    beside.spines["right"].set_visible(False)
    axes.set_yticks(range(len(labels)), labels)
    axes.set_ylim(max(len(labels), 1) - 0.4, -0.6)
    axes.set_xlabel("Deviation from the median (standard deviations)")
    found = failing_unit(unit).to_dict()
    title = f"fails at {failing_at(found['subject'], found['values'])}"
    axes.set_title("\n".join(textwrap.wrap(title, 70)), loc="left")
    return axes
