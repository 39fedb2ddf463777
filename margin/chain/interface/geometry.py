"""Plane geometry and statics of a load concentrator, as plain functions of numbers or arrays."""

from __future__ import annotations

import numpy as np

from margin.chain.parameter import Value


def lens_area(first_radius: Value, second_radius: Value, distance: Value) -> Value:
    """Area (m2) common to two circles whose centres lie `distance` (m) apart.

    A = r^2 acos((d^2 + r^2 - R^2) / 2dr) + R^2 acos((d^2 + R^2 - r^2) / 2dR)
        - 0.5 sqrt((-d + r + R)(d + r - R)(d - r + R)(d + r + R))

    Weisstein, 'Circle-Circle Intersection', MathWorld, eq. 14 (from memory). Containment gives the smaller
    circle and separation gives 0. Radii must be above 0.
    """
    smaller = np.minimum(first_radius, second_radius)
    nearest = np.abs(first_radius - second_radius)
    farthest = first_radius + second_radius
    # held where the formula has a value; equal circles on one another would leave 0
    d = np.maximum(np.clip(distance, nearest, farthest), 1e-12 * smaller)
    squares = first_radius * first_radius - second_radius * second_radius
    first_cosine = np.clip((d * d + squares) / (2.0 * d * first_radius), -1.0, 1.0)
    second_cosine = np.clip((d * d - squares) / (2.0 * d * second_radius), -1.0, 1.0)
    kite = np.maximum((farthest - d) * (d + nearest) * (d - nearest) * (farthest + d), 0.0)
    lens = (
        first_radius * first_radius * np.arccos(first_cosine)
        + second_radius * second_radius * np.arccos(second_cosine)
        - 0.5 * np.sqrt(kite)
    )
    # at its ends the formula loses half its digits: containment and separation are taken exactly
    apart = np.where(np.greater_equal(distance, farthest), 0.0, lens)
    area: Value = np.where(np.less_equal(distance, nearest), np.pi * smaller * smaller, apart)
    return area


def captured_fraction(concentrator_radius: Value, sensing_radius: Value, distance: Value) -> Value:
    """Share of a uniform pressure under the concentrator that falls on the sensing area, 0 to 1.

    Overlap over concentrator area; 1 as long as distance <= sensing radius - concentrator radius.
    """
    overlap = lens_area(concentrator_radius, sensing_radius, distance)
    result: Value = overlap / (np.pi * concentrator_radius * concentrator_radius)
    return result


def stiffness_share(sensor_stiffness: Value, parallel_stiffness: Value) -> Value:
    """Share of the load through the sensor, ks / (ks + kp): two springs in parallel under one deflection."""
    return sensor_stiffness / (sensor_stiffness + parallel_stiffness)


def tilt_angle(about_x: Value, about_y: Value) -> Value:
    """Angle (rad) of the load line to the sensor's normal, from two small rotations."""
    result: Value = np.hypot(about_x, about_y)
    return result


def tilt_unevenness(angle: Value, coefficient: Value) -> Value:
    """Variance of pressure relative to its squared mean, kappa^2 / 4, under a tilted disc.

    For p = p0 (1 + kappa x / r) on a disc of radius r the mean of (x / r)^2 is 1/4. kappa = coefficient *
    angle, at most 1: beyond that the edge lifts off.
    """
    steepness = np.minimum(coefficient * angle, 1.0)
    result: Value = 0.25 * steepness * steepness
    return result


def through_stop(load: Value, stop_force: Value, stop_share: Value) -> Value:
    """Load (N) left for the sensor path once a housing stop has engaged at `stop_force` (N)."""
    result: Value = np.minimum(load, stop_force) + stop_share * np.maximum(load - stop_force, 0.0)
    return result


def before_stop(load: Value, stop_force: Value, stop_share: Value) -> Value:
    """Inverse of `through_stop`; `stop_share` must be above 0."""
    result: Value = np.minimum(load, stop_force) + np.maximum(load - stop_force, 0.0) / stop_share
    return result
