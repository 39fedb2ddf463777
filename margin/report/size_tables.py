"""Tables of a sizing: designs of the list, designs tried, and what each constraint refuses."""

from __future__ import annotations

from typing import Any

import pandas as pd

from margin.case.again import command_of
from margin.design.sizing import Ranked, Sizing


def designs_frame(found: Sizing) -> pd.DataFrame:
    """See `SizeStudy.designs`."""
    rows = []
    for rank, each in enumerate(found.ranked, 1):
        row = _row(found, each)
        rows.append({"rank": float(rank), **row, "command": command_of(found.case, more=each.changes)})
    return pd.DataFrame(rows, columns=["rank", *_COLUMNS, "command"])


def tried_frame(found: Sizing) -> pd.DataFrame:
    """See `SizeStudy.tried`."""
    rows = [
        {
            "circuit": d.space.name, "values": d.told, "yield": t.found.sampled.value,
            "yield_low": t.found.sampled.low, "yield_high": t.found.sampled.high, "error": t.error,
            "resolution_N": found.one_count(d), "noise": d.noise, "risk": d.risk, "swing": d.swing, "cost": d.cost,
        }
        for d, t in found.tried
    ]  # fmt: skip
    return pd.DataFrame(rows)


def constraints_frame(found: Sizing) -> pd.DataFrame:
    """See `SizeStudy.constraints`."""
    rows = [
        {
            "circuit": one.space.name, "constraint": name, "checked": name not in one.unchecked,
            "refused": float(one.refused[name]), "alone": float(one.alone[name]), "tried": float(one.tried),
            "left": float(one.left),
        }
        for one in found.screens
        for name in one.refused
    ]  # fmt: skip
    return pd.DataFrame(rows)


_COLUMNS = (
    "circuit", "values", "verdict", "yield", "yield_low", "yield_high", "bound", "bound_low", "bound_high", "error",
    "resolution_N", "noise", "risk", "clipped", "clipped_low", "clipped_high", "swing", "cost", "exceeded",
)  # fmt: skip


def _row(found: Sizing, each: Ranked) -> dict[str, Any]:
    design, trial = each.design, each.trial
    told = {"circuit": design.space.name, "values": design.told, "verdict": each.verdict}
    for name, estimate in (("yield", trial.found.sampled), ("bound", trial.found.bound)):
        told |= {name: estimate.value, f"{name}_low": estimate.low, f"{name}_high": estimate.high}  # type: ignore[dict-item]
    return {
        **told, "error": trial.error, "resolution_N": found.one_count(design), "noise": design.noise,
        "risk": design.risk, "clipped": trial.clipped.value, "clipped_low": trial.clipped.low,
        "clipped_high": trial.clipped.high, "swing": design.swing, "cost": design.cost,
        "exceeded": ", ".join(each.exceeded),
    }  # fmt: skip
