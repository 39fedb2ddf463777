"""Stored units from which a page answers what a change of the case would do, as plain data for JSON."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from margin.case.again import command_of
from margin.case.types import CalibrationSpec, Case
from margin.estimates.results import OptionResult, Results
from margin.estimates.what_if import stored
from margin.estimates.what_if.band import BAND, BAND_SIZES
from margin.estimates.what_if.drawn import Units, drawn_units, stored_loads
from margin.estimates.what_if.estimator import INTERPOLATED, WhatIf
from margin.estimates.what_if.movable import Movable, Unmovable, movable_spreads
from margin.estimates.what_if.rerun import limit_parts, quantities_of, shown_unit
from margin.estimates.what_if.weighted import effective
from margin.estimates.what_if.wider import Block, Shape, Table, blocks_of, log_density
from margin.propagation.frame import Frame
from margin.propagation.grouping import Grouping
from margin.propagation.model import model_of
from margin.propagation.readings import readings_of_a_unit
from margin.propagation.tally import EvaluationError
from margin.version import version

Array = NDArray[np.float64]

FORMAT, VERSION = "margin what-if", 1

UNITS, FEWEST_UNITS = 2080, 800
"""Units stored; fewer where each has very many readings."""

READINGS, MOST_READINGS = 20_000_000, 100_000_000
"""Readings, counted once for each option and size of an interpolated spread, from which on fewer units are stored, and
beyond which none are: some ten million are computed in a second."""

PER_DRAW = 8
"""Units of an outer draw: many outer draws, and pairs enough to measure their scatter."""

CLUSTERS = 20
"""Clusters of outer draws between which the jackknife measures errors."""

MOST_OPTIONS = 8

FLOOR_UNITS, FLOOR_DRAWS = 150, 50
"""Effective units and outer draws below which weights do not carry."""

APART = 0x5EED
"""Added to the seed of the study: these units are independent of its own."""

SCALES = tuple(2.0 ** (k / 4.0) for k in range(-8, 7))
"""Sizes of a spread, over its present one, from which the range that is offered is chosen."""

PRESENT = SCALES.index(1.0)

SHIFTS = tuple(k / 8.0 for k in range(17))
"""Shifts of its mean in its present sizes, likewise."""

LEFT_OUT = {
    "lot-curve": "the curve of a lot follows from sample units, which move too",
    "classes": "classes are laid out anew for a moved case",
}
"""Kinds of calibration that need another run."""


def what_if_payload(
    case: Case | Results,
    options: Sequence[str] | None = None,
    *,
    budget: pd.DataFrame | None = None,
    command: str | None = None,
    units: int | None = None,
) -> dict[str, Any] | None:
    """Payload for the page (`margin.report.what_if.what_if_fragment`) and for `what_if`: plain data for JSON.

    case     or the finished study: its yields, bounds and bands are then those of the case as it is, and its budget
             sets which spreads can be moved
    options  names of calibration options, by default the first eight; those of kind 'lot-curve' or 'classes' are left
             out and listed under 'left'
    budget   of the case where no study is given; None: spreads in the order of the chain
    command  that ran the case, to which changes are added; by default 'margin estimate FILE'
    units    to store, at most; by default 2080, about 400 kB of text for eight options and six loads

    None where no option is left, nothing can be moved, a unit has so many readings that it would take long, the weights
    do not even carry the case as it is, or it gives no number somewhere in the wider spreads that are drawn. Raises
    KeyError for an unknown option.
    """
    results = case if isinstance(case, Results) else None
    case = case.case if isinstance(case, Results) else case
    focus = None if results is None else results.focus.name
    kept, left = _options(case, options, focus)
    if not kept:
        return None
    seed = case.study.seed + APART
    model = replace(model_of(replace(case, calibrations=tuple(kept))), seed=seed)
    if budget is None and results is not None:
        budget = results.budget
    movables, unmovable = movable_spreads(model, budget)
    nested = case.study.nested
    passes = 1 + (len(BAND_SIZES) - 1) * sum(each.how == "interpolated" for each in movables)
    readings = readings_of_a_unit(model.case) * len(kept) * passes
    count = _count(readings, units)
    if not movables or count * readings > MOST_READINGS:
        return None
    per_draw = PER_DRAW if nested else 1
    grouping = Grouping(per_draw if nested else count, 1)
    try:
        source, as_is, interpolated = drawn_units(model, movables, grouping, count, per_draw)
    except EvaluationError:
        return None
    blocks = blocks_of(model, movables, source)
    frame = Frame.of(model.case, grouping, count // per_draw if nested else 1, True, count)
    loads = stored_loads(frame.loads.size)
    confidence = case.requirement.confidence
    tail = 0.5 * (1.0 + confidence)
    studied = {} if results is None else {each.name: each for each in results.options}
    payload: dict[str, Any] = {
        "format": {"name": FORMAT, "version": VERSION},
        "case": case.name,
        "version": version(),
        "seed": seed,
        "units": count,
        "per_draw": per_draw,
        "nested": nested,
        "clusters": min(CLUSTERS, count // per_draw),
        "level": confidence,
        "t": float(stdtrit(min(CLUSTERS, count // per_draw) - 1, tail)),
        "z": float(ndtri(tail)),
        "counts": case.requirement.counts,
        "target": case.requirement.target,
        "floor": {"units": FLOOR_UNITS, "draws": FLOOR_DRAWS if nested else 1},
        "limit": limit_parts(case.requirement),
        "loads": frame.loads[loads].tolist(),
        "permissible": frame.permissible[loads].tolist(),
        "movables": [_shown(each, case) for each in movables],
        "interpolated": sorted(interpolated),
        "blocks": [_stored(block, movables, per_draw) for block in blocks],
        "base": stored.floats(-_proposals(blocks, movables, count, outer=False)),
        "base_outer": stored.floats(-_proposals(blocks, movables, count, outer=True)[::per_draw]),
        "rerun": {
            "command": command or command_of(case),
            "quantities": quantities_of(case, movables),
        },
        "focus": focus if focus in [each.name for each in kept] else kept[0].name,
        "left": [{"name": each.name, "why": each.why} for each in (*left, *unmovable)],
    }
    weights = _present_weights(blocks, count)
    payload["options"] = [
        _option(each.name, k, as_is, interpolated, weights, studied.get(each.name), frame)
        for k, each in enumerate(kept)
    ]
    stored_units = WhatIf(payload)
    if effective(stored_units.as_is) < FLOOR_UNITS:
        return None
    _set_ranges(stored_units, payload["movables"])
    return payload


def _options(
    case: Case, names: Sequence[str] | None, focus: str | None
) -> tuple[list[CalibrationSpec], list[Unmovable]]:
    """Options that are kept, that in focus among them where it can be, and those that are not, with the reason."""
    by_name = {each.name: each for each in case.calibrations}
    wanted = list(by_name.values()) if names is None else [by_name[name] for name in names]
    able = [each for each in wanted if each.kind not in LEFT_OUT]
    first = sorted(able, key=lambda each: each.name != focus)[:MOST_OPTIONS]
    kept = [each for each in able if each in first]
    left = [
        Unmovable(each.name, LEFT_OUT.get(each.kind, f"not among the {MOST_OPTIONS} options"))
        for each in wanted
        if each not in kept
    ]
    return kept, left


def _count(readings: int, units: int | None) -> int:
    """Units stored, whole clusters of outer draws."""
    most = UNITS if units is None else units
    count = min(most, max(READINGS // readings, min(FEWEST_UNITS, most)))
    whole = PER_DRAW * CLUSTERS
    return max(count // whole, 1) * whole


def _proposals(blocks: Sequence[Block], movables: Sequence[Movable], count: int, *, outer: bool) -> Array:
    own = [b.proposal for b in blocks if movables[b.members[0]].outer == outer]
    return np.sum(own, axis=0) if own else np.zeros(count)


def _present_weights(blocks: Sequence[Block], count: int) -> Array:
    """(unit,) Weights of the case as it is, the largest 1."""
    total = np.zeros(count)
    for block in blocks:
        still = np.zeros(len(block.members))
        total += log_density(block.shape, block.values, block.centre, block.root, still + 1.0, still)
        total -= block.proposal
    return np.asarray(np.exp(total - total.max()))


def _stored(block: Block, movables: Sequence[Movable], per_draw: int) -> dict[str, Any]:
    outer = movables[block.members[0]].outer
    step = per_draw if outer else 1
    constant = all(
        np.all(a == a[:1])
        for a in (block.centre.reshape(len(block.centre), -1), block.root.reshape(len(block.root), -1))
    )
    rows = slice(0, 1) if constant else slice(None, None, per_draw)
    return {
        "members": list(block.members),
        "outer": outer,
        "shape": _said(block.shape),
        "draws": block.values.shape[2],
        "rows": len(block.centre[rows]),
        "values": [stored.even(block.values[::step, k].ravel()) for k in range(len(block.members))],
        "centre": stored.floats(block.centre[rows].ravel()),
        "root": stored.floats(block.root[rows].ravel()),
    }


def _said(shape: Shape) -> Any:
    if isinstance(shape, Table):
        return {"low": shape.low, "step": shape.step, "density": stored.floats(shape.density)}
    return shape


def _shown(each: Movable, case: Case) -> dict[str, Any]:
    """A movable as the page shows it: 'present' is its size as a number of 'unit'."""
    first = each.factors[0]
    field = first.quantity.split(".", 1)[1]
    if first.standardised:
        quantity = case.elements[first.role].quantities[first.scales or field]
        unit, one = shown_unit(quantity.nominal, quantity.unit, False)
        present = quantity.nominal / one
    else:
        of = case.elements[first.role].quantities
        if first.condition is not None:
            of = next(c for c in case.conditions if c.name == first.condition).quantities
        quantity = of[field]
        unit, one = shown_unit(each.size, quantity.unit, first.relative)
        present = each.size / one
    return {
        "name": each.name, "level": first.level, "how": each.how, "outer": each.outer, "draws": each.draws,
        "kind": "half width" if each.shape == "rectangular" and not first.standardised else "standard deviation",
        "unit": unit, "present": present, "can_shift": each.can_shift,
    }  # fmt: skip


def _option(
    name: str,
    place: int,
    as_is: Units,
    interpolated: dict[int, tuple[Units, ...]],
    weights: Array,
    study: OptionResult | None,
    frame: Frame,
) -> dict[str, Any]:
    errors = as_is.errors[place]
    reach = float(np.clip(1.2 * np.nanquantile(np.abs(errors), 0.999), 1.0, 100.0))
    bands = {k: [_band(u.errors[place], weights) for u in by_size] for k, by_size in interpolated.items()}
    middle = BAND_SIZES.index(1.0)
    return {
        "name": name,
        "score": stored.ratios(as_is.scores[place].ravel()),
        "error": stored.cells(errors.ravel(), reach),
        "reach": reach,
        "interpolated": [
            {
                end: stored.changes(
                    (by_size[BAND_SIZES.index(size)].scores[place] / as_is.scores[place]).ravel()
                )
                for end, size in (("half", INTERPOLATED[0]), ("double", INTERPOLATED[2]))
            }
            | {
                "band": {
                    end: [(b[side] - bands[k][middle][side]).tolist() for b in bands[k]]
                    for side, end in enumerate(("low", "high"))
                }
            }
            for k, by_size in sorted(interpolated.items())
        ],
        "study": None if study is None else _study(study, frame),
    }


def _ratio(moved: Units, as_is: Units, place: int) -> Array:
    with np.errstate(all="ignore"):
        ratio: Array = (moved.scores[place] / as_is.scores[place]).ravel()
    return ratio


def _band(errors: Array, weights: Array) -> Array:
    """(end, load) Weighted ends of the error band over the permissible error."""
    ends = np.empty((2, errors.shape[1]))
    for load in range(errors.shape[1]):
        order = np.argsort(errors[:, load], kind="stable")
        total = np.cumsum(weights[order])
        places = np.searchsorted(total, np.array(BAND) * total[-1])
        ends[:, load] = errors[order, load][np.minimum(places, len(order) - 1)]
    return ends


def _study(study: OptionResult, frame: Frame) -> dict[str, Any]:
    """Yield, bound and band of the study, where the stored units are anchored."""
    found, rows = study.decisive_yield, study.errors[study.errors["condition"] == "all"]
    bound, loads = found.bound, stored_loads(frame.loads.size)
    return {
        "yield": found.sampled.value, "low": found.sampled.low, "high": found.sampled.high,
        "bound": bound.value, "bound_low": bound.low, "bound_high": bound.high,
        "band": {
            "low": (rows["p2_5_N"].to_numpy() / frame.permissible)[loads].tolist(),
            "high": (rows["p97_5_N"].to_numpy() / frame.permissible)[loads].tolist(),
        },
    }  # fmt: skip


def _set_ranges(units: WhatIf, movables: list[dict[str, Any]]) -> None:
    """Add to each movable the range of sizes and shifts in which its weights carry while nothing else is moved."""
    payload = units.payload
    count = len(movables)
    for k, each in enumerate(movables):
        if each["how"] == "interpolated":
            each["scales"], each["shifts"] = [INTERPOLATED[0], INTERPOLATED[2]], [0.0, 0.0]
            continue

        def carries(scale: float, shift: float, k: int = k) -> bool:
            scales, shifts = np.ones(count), np.zeros(count)
            scales[k], shifts[k] = scale, shift
            outer, own = units.weights(scales, shifts)
            floor = payload["floor"]
            if payload["nested"] and effective(outer) < float(floor["draws"]):
                return False
            return effective(np.repeat(outer, payload["per_draw"]) * own) >= float(floor["units"])

        each["scales"] = [
            _last(SCALES[PRESENT::-1], lambda s: carries(s, 0.0)),
            _last(SCALES[PRESENT:], lambda s: carries(s, 0.0)),
        ]
        each["shifts"] = [0.0, 0.0]
        if each["can_shift"]:
            each["shifts"] = [
                -_last(SHIFTS, lambda s: carries(1.0, -s)),
                _last(SHIFTS, lambda s: carries(1.0, s)),
            ]


def _last(values: Sequence[float], holds: Callable[[float], bool]) -> float:
    """The last of the values that follow the first as long as something holds of them."""
    found = values[0]
    for value in values[1:]:
        if not holds(value):
            break
        found = value
    return found
