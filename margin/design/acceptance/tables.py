"""Tables of an acceptance test: a row a test limit, a row a rule."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pandas as pd

from margin.design.acceptance.result import Acceptance, LimitRisks
from margin.design.acceptance.shares import NOTHING, Share


def limits_frame(found: Acceptance) -> pd.DataFrame:
    """Operating table; see `AcceptStudy.limits` for the columns."""
    return pd.DataFrame([_row(found, risks) for risks in found.limits])


def rules_frame(found: Acceptance) -> pd.DataFrame:
    """Limits by rule; see `AcceptStudy.rules` for the columns."""
    nothing = Share(NOTHING, None, NOTHING)
    rows = []
    for rule in found.rules:
        risks = rule.risks
        row: dict[str, object] = {
            "rule": rule.name,
            "guard_band": math.nan if rule.guard_band is None else rule.guard_band,
            "multiplier": math.nan if rule.multiplier is None else rule.multiplier,
            "limit": math.nan if risks is None or risks.limit is None else risks.limit,
        }
        row |= _with_ends("scrapped", nothing if risks is None else risks.scrapped)
        for name in ("bad_of_shipped", "scrapped_good"):
            row |= _with_ends(name, nothing if risks is None else getattr(risks.use, name))
        rows.append(row)
    return pd.DataFrame(rows)


def _row(found: Acceptance, risks: LimitRisks) -> dict[str, object]:
    row: dict[str, object] = {"limit": math.nan if risks.limit is None else risks.limit}
    row |= _with_ends("scrapped", risks.scrapped)
    for name in ("shipped_bad", "bad_of_shipped", "scrapped_good", "scrapped_of_good"):
        share: Share = getattr(risks.use, name)
        low, high = share.draws or (math.nan, math.nan)
        row |= {**_with_ends(name, share), f"{name}_p5": low, f"{name}_p95": high}
    bound = risks.use.bad_of_shipped.bound
    row |= {"bound": bound.value, "bound_low": bound.low, "bound_high": bound.high}
    row["verdict"] = risks.use.bad_of_shipped.verdict(1.0 - found.case.requirement.target)
    for name in ("shipped_bad", "bad_of_shipped", "scrapped_good", "scrapped_of_good"):
        row |= _with_ends(f"station_{name}", getattr(risks.station, name))
    return row


def _with_ends(name: str, share: Share) -> dict[str, float]:
    return dict(_ends(name, share))


def _ends(name: str, share: Share) -> Iterator[tuple[str, float]]:
    found = share.sampled
    yield name, found.value
    yield f"{name}_low", found.low
    yield f"{name}_high", found.high
