"""A load concentrator (puck) in a housing: load share, stop, placement, tilt, preload, contact."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from margin.chain.elements import Contact
from margin.chain.interface import geometry
from margin.chain.interface.friction import before_friction, behind_friction
from margin.chain.laws import absent, per_decade
from margin.chain.parameter import Value, draw, parameter
from margin.chain.setting import Setting

MOST_FRICTION = 0.9
"""Share of the load that friction holds back at most: beyond it hardly a load reaches the sensor."""

LEAST_AREA = 1e-12
"""Loaded area relative to the designed one, at least: it must still allow a power of it."""


@dataclass(frozen=True, kw_only=True)
class ConcentratorInterface:
    """Force through the sensing area, and how it is spread there.

    F = c * f * (s * stop(slide(load * cos(theta))) * (1 + q z) + preload)

    s        ks / (ks + kp) * (1 + share_tempco * dT) * (1 - wear * log10(1 + N)): springs in parallel, N load cycles
    slide    the load less what friction holds back as it rises, and with it as it falls (`behind_friction`); its share
             of the load is friction + friction_growth * log10(1 + N)
    stop     the load up to `stop_force`, and `stop_share` of what exceeds it
    theta    tilt of the load line, hypot of two normal draws: the axial component can only be smaller
    f        share of a uniform pressure caught by the sensing area (overlap of two circles, radii and
             placement in two dimensions); 1 while the offset stays within the clearance of the radii
    q z      force error by the shear in the load, one normal draw for each placement of the load
    preload  preload * max(1 - preload_ageing * log10(1 + age / 1 h), 0) + preload_tempco * dT
    c        contact gain: what the contact material does to the reading

    The loaded area relative to the designed one, and the unevenness of the pressure under tilt, go to the
    sensor, which alone knows what they mean. The designed area is that of `design_radius`: a case that leaves it
    out means the nominal `concentrator_radius`, whatever is drawn about it. An element made in Python with a
    `design_radius` of 0 takes its own radius for the designed one, and shows no error of it.
    """

    kind: ClassVar[str] = "load concentrator"

    sensor_stiffness: Value = parameter(
        "N/m", 1e6, positive=True, doc="stiffness of the load path through the sensor"
    )
    parallel_stiffness: Value = parameter(
        "N/m", 0.0, minimum=0.0, level="mounting", doc="stiffness of housing, foam or gasket beside it"
    )
    share_tempco: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="relative change of the load share with temperature"
    )
    stop_force: Value = parameter(
        "N", 1e9, positive=True, level="mounting", doc="load at which the housing stop engages; 1e9 N: none"
    )
    stop_share: Value = parameter(
        "", 0.1, positive=True, maximum=1.0, doc="share of the load above the stop that reaches the sensor"
    )
    preload: Value = parameter("N", 0.0, level="mounting", doc="force on the sensor without a load")
    preload_tempco: Value = parameter(
        "N/K", 0.0, level="mounting", cause="temperature", doc="change of preload with temperature"
    )
    preload_ageing: Value = parameter(
        "", 0.0, level="mounting", cause="ageing", doc="relative loss of preload per decade of hours"
    )
    concentrator_radius: Value = parameter(
        "m", 0.0, minimum=0.0, doc="radius of the concentrator; 0: overlap not modelled"
    )
    sensing_radius: Value = parameter(
        "m", 0.0, minimum=0.0, doc="radius of the sensing area; 0: overlap not modelled"
    )
    design_radius: Value = parameter(
        "m",
        0.0,
        minimum=0.0,
        default_from="concentrator_radius",
        doc="designed concentrator radius, to which the area is related; default: nominal concentrator_radius",
    )
    placement: Value = parameter(
        "m", 0.0, minimum=0.0, doc="standard deviation of the concentrator's offset along each axis"
    )
    tilt: Value = parameter("rad", 0.0, minimum=0.0, doc="standard deviation of the tilt about each axis")
    tilt_unevenness: Value = parameter(
        "1/rad",
        0.0,
        minimum=0.0,
        doc="slope of pressure over the radius per rad of tilt, relative to its mean",
    )
    wear: Value = parameter(
        "", 0.0, cause="ageing", doc="relative loss of the load share per decade of load cycles, by wear"
    )
    area_wear: Value = parameter(
        "", 0.0, cause="ageing", doc="relative growth of the loaded area per decade of load cycles, by wear"
    )
    contact_gain: Value = parameter(
        "",
        1.0,
        positive=True,
        level="mounting",
        doc="effect of the contact material on the force that counts",
    )
    friction: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        maximum=MOST_FRICTION,
        doc="share of the load that friction of guide and seal holds back, either way",
    )
    friction_force: Value = parameter(
        "N", 0.0, minimum=0.0, level="mounting", doc="friction of guide and seal whatever the load"
    )
    friction_growth: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        maximum=0.2,
        cause="ageing",
        doc="share of the load by which friction grows per decade of load cycles",
    )
    shear_error: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        doc="relative force error by the shear in a placement of the load, standard deviation: shear over load times "
        "cross-sensitivity",
    )
    placement_x: Value = draw("normal", level="mounting", scales="placement", doc="offset along x")
    placement_y: Value = draw("normal", level="mounting", scales="placement", doc="offset along y")
    tilt_x: Value = draw("normal", level="mounting", scales="tilt", doc="tilt about x")
    tilt_y: Value = draw("normal", level="mounting", scales="tilt", doc="tilt about y")
    shear_draw: Value = draw(
        "normal", level="loading", scales="shear_error", doc="shear in this placement of the load"
    )

    def transmit(self, load: Value, setting: Setting) -> Contact:
        """Contact at the sensor under `load` (N), broadcast over all draws."""
        theta = self.tilt_angle
        axial = load if absent(theta) else load * np.cos(theta)
        held = self._held(setting)
        if not absent(held) or not absent(self.friction_force):
            top = setting.peak if absent(theta) else setting.peak * np.cos(theta)
            axial = behind_friction(axial, top, held, self.friction_force, setting)
        share = self.share * (1.0 + self.share_tempco * setting.warming)
        if not absent(self.wear) and not absent(setting.cycles):
            share = share * (1.0 - self.wear * per_decade(setting.cycles, 1.0))
        path = geometry.through_stop(axial, self.stop_force, self.stop_share)
        if not absent(self.shear_error):
            path = path * (1.0 + self.shear_error * self.shear_draw)
        kept: Value = 1.0
        if not absent(self.preload_ageing):
            kept = np.maximum(1.0 - self.preload_ageing * per_decade(setting.aged_hours(), 1.0), 0.0)
        preload = self.preload * kept + self.preload_tempco * setting.warming
        force = self.contact_gain * self.captured * (share * path + preload)
        area = self.loaded_area
        if not absent(self.area_wear) and not absent(setting.cycles):
            area = area * np.maximum(1.0 + self.area_wear * per_decade(setting.cycles, 1.0), LEAST_AREA)
        return Contact(force, area, geometry.tilt_unevenness(theta, self.tilt_unevenness))

    def load_from(self, force: Value) -> Value:
        """Load (N) whose rise brings `force` (N) to the sensor when new and at the reference temperature."""
        return self._load(force, Setting())

    def load_on_branch(self, force: Value, setting: Setting) -> Value:
        """Load (N) that brings `force` (N) to the sensor on the branch of the setting, else as `load_from`."""
        if absent(setting.descending) or (absent(self._held(setting)) and absent(self.friction_force)):
            return self.load_from(force)
        return self._load(force, setting)

    def _load(self, force: Value, setting: Setting) -> Value:
        path = (force / (self.contact_gain * self.captured) - self.preload) / self.share
        if not absent(self.shear_error):
            path = path / (1.0 + self.shear_error * self.shear_draw)
        axial = geometry.before_stop(path, self.stop_force, self.stop_share)
        held = self._held(setting)
        if not absent(held) or not absent(self.friction_force):
            top = setting.peak * np.cos(self.tilt_angle)
            axial = before_friction(axial, top, held, self.friction_force, setting)
        result: Value = axial / np.cos(self.tilt_angle)
        return result

    def _held(self, setting: Setting) -> Value:
        """Share of the load that friction holds back after the load cycles so far."""
        if absent(self.friction_growth) or absent(setting.cycles):
            return self.friction
        grown = self.friction + self.friction_growth * per_decade(setting.cycles, 1.0)
        result: Value = np.clip(grown, 0.0, MOST_FRICTION)
        return result

    @property
    def share(self) -> Value:
        """Share of the load through the sensor at the reference temperature."""
        return geometry.stiffness_share(self.sensor_stiffness, self.parallel_stiffness)

    @property
    def tilt_angle(self) -> Value:
        """rad."""
        if absent(self.tilt):
            return 0.0
        return geometry.tilt_angle(self.tilt * self.tilt_x, self.tilt * self.tilt_y)

    @property
    def offset(self) -> Value:
        """m, distance between the centres of concentrator and sensing area."""
        if absent(self.placement):
            return 0.0
        result: Value = np.hypot(self.placement * self.placement_x, self.placement * self.placement_y)
        return result

    @property
    def captured(self) -> Value:
        """Share of the concentrator's pressure that falls on the sensing area."""
        if absent(self.concentrator_radius) or absent(self.sensing_radius):
            return 1.0
        return geometry.captured_fraction(self.concentrator_radius, self.sensing_radius, self.offset)

    @property
    def loaded_area(self) -> Value:
        """Loaded area relative to the designed one."""
        if absent(self.concentrator_radius) or absent(self.sensing_radius):
            return 1.0
        design = self.concentrator_radius if absent(self.design_radius) else self.design_radius
        designed = np.pi * np.minimum(design, self.sensing_radius) ** 2
        loaded = geometry.lens_area(self.concentrator_radius, self.sensing_radius, self.offset)
        # a concentrator wholly off the pad catches nothing
        result: Value = np.maximum(loaded / designed, LEAST_AREA)
        return result
