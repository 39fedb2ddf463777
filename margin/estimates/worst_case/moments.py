"""Root sum square: standard deviation and mean of an output from its derivatives at the mean of the inputs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.estimates.worst_case.screen import Evaluate, Index, four_corners, pairs_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Moments:
    """Terms of the law of propagation of uncertainty, in the unit of the output.

    mean      (output,) at the mean of the inputs
    first     (variable, output) first-order contributions c_i u_i, signed
    u_first   (output,) combined standard uncertainty of first order
    shift     (output,) by which the terms of second order move the mean
    diagonal  (variable, output) variance that a variable's own terms of second order add (or take away)
    first_of, second_of  (pair,) variables of the pairs; pairs: (pair, output) variance of their terms
    u_second  (output,) combined standard uncertainty of first and second order
    switching (variable,) inputs that only switch the output between two values
    """

    mean: Array
    first: Array
    u_first: Array
    shift: Array
    diagonal: Array
    first_of: Index
    second_of: Index
    pairs: Array
    u_second: Array
    switching: NDArray[np.bool_]


@dataclass(frozen=True)
class _Axes:
    """Derivatives along each axis times powers of the standard deviation: (variable, output) each.

    `step` (variable,): of the differences; `still` (output,); `ends` (2, variable, output): outputs one step
    below and above the mean.
    """

    step: Array
    still: Array
    ends: Array
    difference: Array
    slope: Array
    curvature: Array
    third: Array
    switching: NDArray[np.bool_]


def moments(
    errors: Evaluate,
    mean: Array,
    sd: Array,
    *,
    low: Array | None = None,
    high: Array | None = None,
    correlation: Array | None = None,
) -> Moments:
    """Moments of the outputs of `errors`, rows (row, variable) -> (row, output).

    First order (JCGM 100, 5.1.2, with the covariances of 5.2.2): u^2 = sum_ij r_ij c_i u_i c_j u_j, each
    contribution half the difference of the outputs one standard deviation above and below the mean (5.1.3,
    note 2).

    Second order (5.1.2, note; complete for independent normal inputs, so that correlations count in the first
    order and in the mean alone): sum_i sum_j [f_ij^2 / 2 + f_i f_ijj] u_i^2 u_j^2 is added to sum_i f_i^2 u_i^2,
    and sum_i f_ii u_i^2 / 2 to the mean, with derivatives from differences over one standard deviation and half
    of it. All pairs of the PAIRED variables with the largest terms count.

    mean, sd    (variable,); low, high: limits that the differences keep inside
    An input that only switches (the output is the same half a step and a whole step away) takes two values: it
    has no curvature, and its mean lies midway. 1 + 4 n + 2 n (n - 1) rows for n variables.
    """
    ties = np.eye(mean.size) if correlation is None else correlation
    axes = _axes(errors, mean, sd, low, high)
    first_of, second_of = pairs_of((np.abs(axes.difference) + np.abs(axes.curvature)).max(axis=1))
    mixed, pairs = _pairs(errors, mean, sd, axes, first_of, second_of)
    middle = axes.still + 0.5 * axes.curvature[axes.switching].sum(axis=0)
    bends = ~axes.switching[:, None]
    diagonal = np.where(bends, 0.5 * axes.curvature**2 + axes.slope * axes.third, 0.0)
    shift = 0.5 * np.where(bends, axes.curvature, 0.0).sum(axis=0)
    shift += (ties[first_of, second_of][:, None] * mixed).sum(axis=0)
    second = diagonal.sum(axis=0) + pairs.sum(axis=0)
    return Moments(
        middle,
        axes.difference,
        np.sqrt(_squared(axes.difference, ties)),
        shift,
        diagonal,
        first_of,
        second_of,
        pairs,
        np.sqrt(np.maximum(_squared(axes.slope, ties) + second, 0.0)),
        axes.switching,
    )


def _squared(contributions: Array, ties: Array) -> Array:
    found: Array = np.maximum(np.einsum("if,ij,jf->f", contributions, ties, contributions), 0.0)
    return found


def _axes(errors: Evaluate, mean: Array, sd: Array, low: Array | None, high: Array | None) -> _Axes:
    count = mean.size
    step = sd.copy()
    for room in (None if low is None else mean - low, None if high is None else high - mean):
        if room is not None:
            # at a limit there is no room on one side: the difference then reaches beyond it
            step = np.where(room > 1e-9 * sd, np.minimum(step, room), step)
    offsets = np.diag(step)
    rows = np.concatenate(
        [mean - offsets, mean + offsets, mean - offsets / 2, mean + offsets / 2, mean[None]]
    )
    found = errors(rows)
    still = found[-1]
    below, above, half_below, half_above = found[:-1].reshape(4, count, still.size)
    whole, half = 0.5 * (above - below), 0.5 * (half_above - half_below)
    scale = np.where(step > 0.0, sd / np.where(step > 0.0, step, 1.0), 1.0)[:, None]
    size = np.abs(whole).max(axis=1)
    switching = (size > 0.0) & (np.abs(whole - half).max(axis=1) <= 1e-9 * size)
    # whole = f' h + f''' h^3 / 6, half the same of h / 2 (Richardson)
    slope = np.where(switching[:, None], whole, (8.0 * half - whole) / 3.0)
    return _Axes(
        step,
        still,
        np.stack([below, above]),
        whole * scale,
        slope * scale,
        (above + below - 2.0 * still) * scale**2,
        (8.0 * whole - 16.0 * half) * scale**3,
        switching,
    )


def _pairs(
    errors: Evaluate, mean: Array, sd: Array, axes: _Axes, first: Index, second: Index
) -> tuple[Array, Array]:
    """f_ij u_i u_j of each pair, and its terms of the variance, (pair, output) each."""
    if not first.size:
        return (np.zeros((0, axes.still.size)),) * 2
    low, high = mean - axes.step, mean + axes.step
    found = errors(four_corners(mean, first, second, low, high)).reshape(first.size, 2, 2, -1)
    scale = np.divide(sd, axes.step, out=np.ones_like(sd), where=axes.step > 0.0)[:, None]
    one, two = scale[first], scale[second]
    rising = found[:, 1] - found[:, 0]
    mixed = 0.25 * (rising[:, 1] - rising[:, 0]) * one * two
    # half the change of the curvature along one variable over a step of the other
    along_second = 0.5 * (rising.sum(axis=1) - 2.0 * (axes.ends[1] - axes.ends[0])[first]) * one * two**2
    across = found[:, :, 1] - found[:, :, 0]
    along_first = 0.5 * (across.sum(axis=1) - 2.0 * (axes.ends[1] - axes.ends[0])[second]) * two * one**2
    along_second[axes.switching[second]] = 0.0
    along_first[axes.switching[first]] = 0.0
    terms = mixed**2 + axes.slope[first] * along_second + axes.slope[second] * along_first
    return mixed, terms
