"""Stored units: what decides of each, and one reading of each at every load, as the case is and with spreads moved."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case
from margin.estimates.what_if.band import BAND_SIZES
from margin.estimates.what_if.movable import Movable
from margin.estimates.what_if.wider import WiderSource, wide_source
from margin.propagation.block import block_errors
from margin.propagation.draws import StreamSource
from margin.propagation.frame import Frame
from margin.propagation.grouping import Grouping
from margin.propagation.model import Model
from margin.propagation.plan import default_block
from margin.propagation.readings import use_conditions
from margin.propagation.variants import Variant

Array = NDArray[np.float64]

MOST_LOADS = 12
"""Check loads at which errors are stored; all of them decide."""


@dataclass(frozen=True)
class Units:
    """scores (option, unit, column) and errors (option, unit, load), both over the permissible error."""

    scores: Array
    errors: Array


def stored_loads(count: int) -> NDArray[np.int64]:
    """Places of the check loads at which errors are stored: all, or some between the first and the last."""
    return np.unique(np.linspace(0, count - 1, min(count, MOST_LOADS)).round().astype(np.int64))


def drawn_units(
    model: Model, movables: Sequence[Movable], grouping: Grouping, count: int, together: int
) -> tuple[WiderSource, Units, dict[int, tuple[Units, ...]]]:
    """Units as they are, and with each interpolated spread at the sizes at which its band is computed.

    together  units that stay together where they are cut into blocks
    """
    changed = [k for k, each in enumerate(movables) if each.how == "interpolated"]
    variants = [(-1, 1.0)] + [(k, size) for k in changed for size in BAND_SIZES if size != 1.0]
    step = max(default_block(model.case) // together, 1) * together
    parts: dict[tuple[int, float], list[Units]] = {each: [] for each in variants}
    seen: dict[tuple[str, str], list[Array]] = {}
    for start in range(0, count, step):
        source = wide_source(model, movables, grouping, start, min(step, count - start))
        for place, size in variants:
            scales = {} if place < 0 else {f.name: size for f in movables[place].factors}
            parts[place, size].append(_judged(model, source.varied(Variant(scales)), start))
        for key, values in source.seen.items():
            seen.setdefault(key, []).append(values)
    whole = wide_source(model, movables, grouping, 0, count)
    whole.seen.update({key: np.concatenate(values) for key, values in seen.items()})
    joined = {
        key: Units(
            *(np.concatenate([getattr(p, name) for p in own], axis=1) for name in ("scores", "errors"))
        )
        for key, own in parts.items()
    }
    by_size = {k: tuple(joined[(k, s) if s != 1.0 else (-1, 1.0)] for s in BAND_SIZES) for k in changed}
    return whole, joined[-1, 1.0], by_size


def _judged(model: Model, source: StreamSource, start: int) -> Units:
    """What decides of each unit, and one reading of it at each load, by turns under each condition of use."""
    case = model.case
    frame = Frame.of(case, Grouping(1, 1), 1, False, source.count)
    errors = block_errors(model, source, source.count).by_option
    turn = (start + np.arange(source.count)) % len(use_conditions(case))
    kept = stored_loads(frame.loads.size)
    scores, firsts = [], []
    for own in errors.values():
        first = np.stack([e[:, 0, 0, 0, :] for e in own])[turn, np.arange(source.count)] / frame.permissible
        firsts.append(first[:, kept])
        scores.append(_score(case, frame, own, first))
    return Units(np.stack(scores), np.stack(firsts))


def _score(case: Case, frame: Frame, errors: Sequence[Array], first: Array) -> Array:
    """(unit, column) Errors over permissible errors that must keep to the limit for a unit to conform."""
    counts = case.requirement.counts
    if counts == "readings":
        return np.abs(first)
    flat = np.concatenate([(np.abs(e) / frame.permissible).reshape(len(e), -1) for e in errors], axis=1)
    flat = np.where(np.isnan(flat), np.inf, flat)
    if counts == "units by share of readings":
        may_fail = flat.shape[1] - math.ceil(case.requirement.share * flat.shape[1] - 1e-9)
        return -np.partition(-flat, may_fail, axis=1)[:, may_fail, np.newaxis]
    return np.asarray(flat.max(axis=1, keepdims=True))
