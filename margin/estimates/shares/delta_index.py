"""Moment-independent indices of a case: how far a cause moves the whole distribution of an output.

The delta of Borgonovo (2007, Reliability Engineering and System Safety 92, 771-784) is half the mean area between the
density of an output and its density with the input given: 0 where the input tells nothing of the output, 1 where it
tells it. It needs no variance, so that it serves outputs whose variance a few extremes make.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import rankdata

from margin.case.types import Case
from margin.estimates.sensitivity.grouping import By
from margin.estimates.sensitivity.indices_result import BELOW, RESOLVED, UNDEFINED
from margin.estimates.shares.draw_inputs import DrawInputs, chosen_outputs
from margin.estimates.shares.plan import MARGIN

Array = NDArray[np.float64]

FEWEST_ROWS = 256
"""Units below which bins of SALib's estimator hold too few for a density."""

IDLE = "idle"


def moment_independent(
    case: Case,
    option: str | None = None,
    output: str | Sequence[str] = MARGIN,
    *,
    by: By = "factor",
    rows: int = 1024,
    resamples: int = 30,
    workers: int | None = None,
) -> pd.DataFrame:
    """Delta of each group on outputs of a case, by SALib's estimator with its bootstrap, seeded by the study.

    option, output, by  as for `margin.problem`
    rows                units evaluated, at least 256
    resamples           of the bootstrap, at least 2. An index takes about a second at 30 resamples of 1024 rows

    One row an option, output and group: option, output, group, input, inputs, delta with delta_low and delta_high (at
    the confidence of the requirement), idle (delta of an input that is not connected), idle_high, verdict, reason.

    SALib's estimator takes one input at a time, so delta is that of `input`, of the group's `inputs` the one with the
    largest Kolmogorov-Smirnov distance (PAWN, median); the interval allows for the choice (Bonferroni). The delta of
    the whole group is at least as large: a density given one input is a mean of those given all of the group.

    The estimator has a bias that grows as delta falls: the smoothing of few units a bin looks like an effect. What it
    finds for an input that is not connected is `idle`; a group is 'resolved' where delta_low exceeds idle_high, else
    'below resolution', and 'undefined' where the output does not vary (delta is then NaN, `reason` says why).

    Outputs are taken as normal scores of their ranks. Delta stays the same under a monotone transformation of the
    output, and the kernel density estimate would lose an output of heavy tails.

    Raises ValueError for an unknown option, output or `by`, too few rows or resamples, workers below 1, where nothing
    varies, and where SALib gives no index; EvaluationError where the chain gives no number.
    """
    if rows < FEWEST_ROWS:
        raise ValueError(f"rows must be at least {FEWEST_ROWS} (got {rows})")
    if resamples < 2:
        raise ValueError(f"resamples must be at least 2 for an interval (got {resamples})")
    places, pairs = chosen_outputs(case, option, output)
    inputs = DrawInputs.of(case)
    members = _members(inputs.groups(by))
    drawn = np.random.default_rng(case.study.seed).random((rows, len(inputs.names) + 1))
    found = inputs.outputs(drawn[:, :-1], places, workers)
    frames = []
    for (name, what), values in zip(pairs, found.T, strict=True):
        if np.ptp(values) == 0.0:
            frame = _undefined(members, inputs.names, f"{what} is {values[0]:.6g} in every unit")
        else:
            frame = _indices(drawn, _normal_scores(values), inputs.names, members, case, resamples)
        frame.insert(0, "option", name)
        frame.insert(1, "output", what)
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def _members(groups: Sequence[str]) -> dict[str, list[int]]:
    members: dict[str, list[int]] = {}
    for place, group in enumerate(groups):
        members.setdefault(group, []).append(place)
    return members


def _normal_scores(values: Array) -> Array:
    return np.asarray(ndtri((rankdata(values) - 0.5) / len(values)))


def _undefined(members: Mapping[str, list[int]], names: Sequence[str], reason: str) -> pd.DataFrame:
    counts = [len(places) for places in members.values()]
    columns = dict.fromkeys(("delta", "delta_low", "delta_high", IDLE, "idle_high"), np.nan)
    first = [names[places[0]] for places in members.values()]
    return pd.DataFrame(
        {
            "group": list(members),
            "input": first,
            "inputs": counts,
            **columns,
            "verdict": UNDEFINED,
            "reason": reason,
        }
    )


def _indices(
    drawn: Array,
    scores: Array,
    names: Sequence[str],
    members: Mapping[str, list[int]],
    case: Case,
    resamples: int,
) -> pd.DataFrame:
    """Indices of one output: drawn (row, input and the idle one), scores (row,)."""
    from SALib.analyze import delta, pawn

    seed, level = case.study.seed, case.requirement.confidence
    with _unchanged_globals(seed):
        distance = pawn.analyze(_problem(names), drawn[:, :-1], scores)["median"]
        strongest = [places[int(np.argmax(distance[places]))] for places in members.values()]
        spec = _problem([*(names[place] for place in strongest), IDLE])
        found = delta.analyze(spec, drawn[:, [*strongest, -1]], scores, resamples, level, method="delta")
    value, half = np.asarray(found["delta_raw"]), np.asarray(found["delta_raw_conf"])
    if not (np.all(np.isfinite(value)) and np.all(np.isfinite(half))):
        raise ValueError(f"SALib gives no delta of some inputs: {found['notes']}. Draw more rows")
    counts = np.array([len(places) for places in members.values()])
    half[:-1] *= ndtri(0.5 + 0.5 * (1.0 - (1.0 - level) / counts)) / ndtri(0.5 + 0.5 * level)
    frame = pd.DataFrame(
        {
            "group": list(members),
            "input": [names[place] for place in strongest],
            "inputs": counts,
            "delta": value[:-1],
            "delta_low": value[:-1] - half[:-1],
            "delta_high": value[:-1] + half[:-1],
            IDLE: value[-1],
            "idle_high": value[-1] + half[-1],
        }
    )
    resolved = frame["delta_low"] > frame["idle_high"]
    return frame.assign(verdict=np.where(resolved, RESOLVED, BELOW), reason="")


def _problem(names: Sequence[str]) -> dict[str, Any]:
    return {"num_vars": len(names), "names": list(names), "bounds": [[0.0, 1.0] for _ in names]}


@contextmanager
def _unchanged_globals(seed: int) -> Iterator[None]:
    """SALib's analyses draw from numpy's global generator and change how warnings are shown; both are put back."""
    state, shown = np.random.get_state(), warnings.formatwarning  # noqa: NPY002
    with warnings.catch_warnings():
        np.random.seed(seed % (1 << 32))  # noqa: NPY002
        try:
            yield
        finally:
            np.random.set_state(state)  # noqa: NPY002
            warnings.formatwarning = shown
