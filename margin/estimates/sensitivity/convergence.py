"""Are the intervals narrow enough, how many more runs would do it, and running until it is so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from margin.estimates.sensitivity.design import Evaluate, SobolDesign
from margin.estimates.sensitivity.evaluations import Evaluations, FailurePolicy, Mapped, run
from margin.estimates.sensitivity.indices import sobol_indices
from margin.estimates.sensitivity.indices_result import SobolIndices
from margin.estimates.sensitivity.intervals import IntervalKind

Stop = Literal["width", "budget"]


def widest(indices: SobolIndices) -> float:
    """Widest interval, first or total order, over all groups and outputs that vary; 0 where none varies."""
    widths = np.concatenate([indices.first.width.ravel(), indices.total.width.ravel()])
    known = widths[~np.isnan(widths)]
    return float(known.max()) if known.size else 0.0


def _check_width(width: float) -> None:
    if not width > 0.0:
        raise ValueError(f"width is {width}; give the full width of an interval to reach, such as 0.05")


def converged(indices: SobolIndices, width: float) -> bool:
    """Whether every interval is at most `width` wide, from low to high."""
    _check_width(width)
    return widest(indices) <= width


def more_runs(indices: SobolIndices, width: float) -> int:
    """Model runs still needed for intervals of `width`, where widths fall with one over the root of the rows.

    Rounded up to a plan that can be drawn (doublings). Sobol points converge faster on smooth models, so this
    is rather too many.
    """
    _check_width(width)
    ratio = widest(indices) / width
    if ratio <= 1.0:
        return 0
    doublings = int(np.ceil(2.0 * np.log2(ratio)))
    return indices.design.runs * ((1 << doublings) - 1)


@dataclass(frozen=True)
class Refinement:
    """What came of adding points.

    indices      of the last plan
    evaluations  of the last plan, to be extended further if need be
    history      one row a plan: base, runs (spent up to then), widest
    stopped_by   'width': narrow enough; 'budget': the next doubling would cost more than is left
    runs_more    runs still needed by the root law; 0 where stopped by width
    """

    indices: SobolIndices
    evaluations: Evaluations
    history: pd.DataFrame
    stopped_by: Stop
    runs_more: int


def refine(
    design: SobolDesign,
    evaluate: Evaluate,
    width: float,
    budget: int,
    *,
    names: tuple[str, ...] = (),
    piece_rows: int = 4096,
    mapped: Mapped = map,
    first: str = "Saltelli 2010",
    interval: IntervalKind = "scramblings",
    level: float = 0.95,
    failures: FailurePolicy = "raise",
) -> Refinement:
    """Double the base rows until every interval is at most `width` wide or `budget` model runs are spent.

    evaluate  takes uniforms (rows, c), returns (rows, k); every point is evaluated once
    piece_rows, mapped  see `run`
    Raises ValueError where the first plan alone exceeds the budget.
    """
    _check_width(width)
    if design.runs > budget:
        raise ValueError(
            f"the plan starts with {design.runs} runs, the budget is {budget}; start with a smaller base "
            f"or use SobolDesign.within"
        )
    evaluations: Evaluations | None = None
    history = []
    while True:
        evaluations = run(design, evaluate, names, piece_rows=piece_rows, earlier=evaluations, mapped=mapped)
        indices = sobol_indices(evaluations, first=first, interval=interval, level=level, failures=failures)
        reached = widest(indices)
        history.append({"base": design.base, "runs": design.runs, "widest": reached})
        if reached <= width or design.doubled().runs > budget:
            return Refinement(
                indices=indices,
                evaluations=evaluations,
                history=pd.DataFrame(history),
                stopped_by="width" if reached <= width else "budget",
                runs_more=more_runs(indices, width),
            )
        design = design.doubled()


def curve(
    evaluations: Evaluations,
    *,
    smallest: int = 16,
    first: str = "Saltelli 2010",
    interval: IntervalKind = "scramblings",
    level: float = 0.95,
    failures: FailurePolicy = "raise",
) -> pd.DataFrame:
    """Indices against the number of base rows, from nested parts of one study, without new runs.

    smallest  rows a scrambling to begin with
    Columns as SobolIndices.to_frame, N counting base rows in use.
    """
    rows = min(smallest, evaluations.design.rows)
    frames = []
    while rows <= evaluations.design.rows:
        part = evaluations.first(rows * evaluations.design.scramblings)
        found = sobol_indices(part, first=first, interval=interval, level=level, failures=failures)
        frames.append(found.to_frame())
        rows *= 2
    return pd.concat(frames, ignore_index=True)
