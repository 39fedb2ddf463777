"""What was found about measures, as frames."""

from __future__ import annotations

from typing import Any

import pandas as pd

from margin.design.measures.measure import SECONDS_IN_HOUR
from margin.design.measures.result import Improvement, Judged, SetResult
from margin.estimates.yield_result import Estimate

NO_MEASURE = "today's design"


def set_name(found: SetResult) -> str:
    """The measures of a set, or that there is none."""
    return " + ".join(found.names) or NO_MEASURE


def sets_frame(found: Improvement) -> pd.DataFrame:
    """The answer, the sets left open, the next-best ones and today's design."""
    standing: list[tuple[str, SetResult]] = [] if found.answer is None else [("answer", found.answer)]
    standing += [("undecided", each) for each in found.undecided]
    standing += [("next best", each) for each in found.others]
    listed = {each.chosen for _, each in standing}
    standing += [] if found.today.chosen in listed else [("today", found.today)]
    return pd.DataFrame([_of_set(each, "standing", name) for name, each in standing])


def path_frame(found: Improvement) -> pd.DataFrame:
    """Steps from today's design to the answer; empty without an answer."""
    rows, before = [], set[int]()
    for each in found.path:
        added = [found.measures.measures[place].name for place in each.chosen if place not in before]
        rows.append(_of_set(each, "added", " + ".join(added) or NO_MEASURE))
        before = set(each.chosen)
    columns = list(_of_set(found.today, "added", ""))
    return pd.DataFrame(rows, columns=columns)


def worth_frame(found: Improvement) -> pd.DataFrame:
    """What each measure brings alone, and what the answer would lose without it."""
    chosen = () if found.answer is None else found.answer.chosen
    rows = []
    for each in found.worth:
        measure = found.measures.measures[each.place]
        rows.append(
            {
                "measure": measure.name,
                "group": measure.group,
                "in_answer": each.place in chosen,
                "added_cost": each.made,
                **_ends("yield_alone", None if each.alone is None else each.alone.reached),
                **_ends("change_alone", each.alone_change),
                **_ends("yield_without", None if each.without is None else each.without.reached),
                **_ends("change_in_answer", each.set_change),
                "verdict_without": "" if each.without is None else each.without.verdict(found.target),
                "source": measure.source,
            }
        )
    return pd.DataFrame(rows)


def cost_frame(found: Improvement) -> pd.DataFrame:
    """Parts of the cost of a good unit, of today's design and of the answer."""
    parts = [_cost_parts(found, found.today)]
    parts.append(
        _cost_parts(found, found.answer) if found.answer is not None else dict.fromkeys(parts[0], None)
    )
    return pd.DataFrame(
        {"part": list(parts[0]), "today_cost": parts[0].values(), "answer_cost": parts[1].values()}
    ).astype({"today_cost": float, "answer_cost": float})


def _cost_parts(found: Improvement, of: SetResult) -> dict[str, float | None]:
    prices, share = found.measures.prices, of.judged.reached.value
    taken = found.measures.taken(of.chosen)
    rework = prices.rework * (1.0 - share)
    return {
        "unit of today, without calibration": prices.unit,
        "parts of the measures": sum(each.cost for each in taken),
        "share of what is paid once": prices.once(taken),
        "time on the station": of.seconds * prices.hour / SECONDS_IN_HOUR,
        "a unit made": of.made,
        "rework": rework,
        "units lost": of.good.value - of.made - rework,
        "a good unit": of.good.value,
    }


def _of_set(found: SetResult, key: str, value: str) -> dict[str, Any]:
    return {
        key: value,
        "set": set_name(found),
        "option": found.option,
        "verdict": found.verdict,
        "stage": found.stage,
        **_judged(found.judged),
        "seconds": found.seconds,
        "made_cost": found.made,
        **_ends("good_cost", found.good),
        "command": found.command,
    }


def _judged(judged: Judged) -> dict[str, Any]:
    return {**_ends("yield", judged.reached), **_ends("lower_bound", judged.bound), "units": judged.units}


def _ends(name: str, found: Estimate | None) -> dict[str, float]:
    value, low, high = (float("nan"),) * 3 if found is None else (found.value, found.low, found.high)
    return {name: value, f"{name}_low": low, f"{name}_high": high}
