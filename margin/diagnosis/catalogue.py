"""Causes by which a prototype may differ from its design, each a change of stated parameters of the chain.

A wrong part is there at the calibration already; wear, damage and climate come after it. Firmware counts on the design
in either case, unless its own constant is the cause. Ranges of the sizes: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from distributions.errors import MarginError
from margin.case.types import Case
from margin.diagnosis.effects_of_causes import (
    AMPLIFIER_RESISTOR,
    SENSOR_GAINS,
    SPAN_COEFFICIENTS,
    ZERO_COEFFICIENTS,
    calibrated_at,
    clipping,
    compliant_path,
    connector,
    firmware_gain,
    friction,
    further,
    housing_share,
    lead,
    leakage,
    moisture,
    offset_of_full_scale,
    raised,
    reference_of_converter,
    relative,
    resistor_of,
    sensor_gain,
    sensor_zero,
    slow_filter,
    span_coefficient,
    stop_of_range,
    warmer,
    wetter_bridge,
    worn_film,
    zero_coefficient,
)
from margin.diagnosis.plan import Plan
from margin.diagnosis.situation import Situation, has, nominal

Part = Literal["sensor", "mechanics", "circuit", "converter", "firmware", "calibration", "climate"]
PARTS: tuple[Part, ...] = (
    "sensor",
    "mechanics",
    "circuit",
    "converter",
    "firmware",
    "calibration",
    "climate",
)
Array = NDArray[np.float64]


class CauseError(MarginError, ValueError):
    """A cause that cannot be registered."""


def _with_any(names: Sequence[str]) -> Callable[[Case], bool]:
    return lambda case: any(has(case, name) for name in names)


def _always(case: Case) -> bool:
    return True


@dataclass(frozen=True)
class Cause:
    """One way in which a prototype may differ from its design.

    part       where it lies
    parameter  what is changed, in words
    unit       of the size, for the reader: '%' or '%/K' of sizes that are shares
    low, high  range of the size; prior: uniform in its logarithm, both signs alike where `signed`
    apply      the situation changed by a size
    suits      whether the chain of a case can have it
    warmed     only readings at several temperatures tell it: at a single one it is as a change of gain or zero
    """

    name: str
    part: Part
    parameter: str
    unit: str
    low: float
    high: float
    apply: Callable[[Situation, float], Situation] = field(repr=False)
    signed: bool = False
    suits: Callable[[Case], bool] = field(default=_always, repr=False)
    warmed: bool = False

    def __post_init__(self) -> None:
        if self.part not in PARTS:
            raise CauseError(
                f"cause {self.name!r}: part must be one of {', '.join(PARTS)} (got {self.part!r})"
            )
        if not 0.0 < self.low < self.high < float("inf"):
            raise CauseError(
                f"cause {self.name!r}: sizes must satisfy 0 < low < high (got {self.low:g} and {self.high:g})"
            )

    def sizes(self, count: int) -> Array:
        """`count` sizes, evenly spaced in the logarithm over the range; of both signs where signed, (size,)."""
        above = np.geomspace(self.low, self.high, count)
        return np.concatenate([-above[::-1], above]) if self.signed else above

    def shown(self, size: float) -> str:
        """Size for the reader: '-12 %', '0.4 s'."""
        value = 100.0 * size if self.unit.startswith("%") else size
        return f"{value:.3g} {self.unit}".strip()


_OWN: dict[str, Cause] = {}


def register_cause(cause: Cause) -> Cause:
    """Make a cause of one's own part of every diagnosis; returns it.

    Raises CauseError where a cause of the catalogue has its name. Registering the same cause again changes nothing.

    >>> from margin.diagnosis.effects_of_causes import relative
    >>> glue = Cause(
    ...     "stiff glue under the film", "mechanics", "sensitivity of the film", "%", 0.02, 0.3,
    ...     relative("sensor.sensitivity", -1.0),
    ... )
    >>> register_cause(glue).shown(0.1)
    '10 %'
    >>> unregister_cause("stiff glue under the film")
    """
    known = {c.name: c for c in CATALOGUE} | _OWN
    if known.get(cause.name, cause) is not cause:
        raise CauseError(f"a cause named {cause.name!r} is in the catalogue: give this one another name")
    if cause.name not in known:
        _OWN[cause.name] = cause
    return cause


def unregister_cause(name: str) -> None:
    """Take a registered cause out; CauseError where there is none of that name."""
    if _OWN.pop(name, None) is None:
        raise CauseError(f"no registered cause {name!r}")


def causes_of(case: Case, plan: Plan | None = None) -> tuple[Cause, ...]:
    """Causes of the catalogue, and registered ones, that the chain of a case can have, and a plan tell."""
    warmed = plan is None or len(plan.temperatures) > 1
    return tuple(
        cause for cause in (*CATALOGUE, *_OWN.values()) if cause.suits(case) and (warmed or not cause.warmed)
    )


def _with(*names: str) -> Callable[[Case], bool]:
    return lambda case: has(case, *names)


def _stated(name: str) -> Callable[[Case], bool]:
    return lambda case: has(case, name) and nominal(case, name) > 0.0


def _calibrates(case: Case) -> bool:
    return any(option.kind != "none" for option in case.calibrations)


def _absolute(case: Case) -> bool:
    return case.elements["converter"].options.get("reference") == "absolute"


def _has_gain(case: Case) -> bool:
    return resistor_of(case) is not None


def _sensor_gain_known(case: Case) -> bool:
    return any(has(case, name) for name in SENSOR_GAINS)


def _sensor_zero_known(case: Case) -> bool:
    return any(has(case, f"sensor.{name}") for name in ("offset_conductance", "zero"))


FILM = _with("sensor.offset_conductance")
CONCENTRATOR = _with("interface.parallel_stiffness")
PLACED = _stated("interface.concentrator_radius")


def _catalogue() -> Iterator[Cause]:
    yield Cause(
        "loss of sensitivity", "sensor", "sensitivity", "%", 0.01, 0.6, sensor_gain, False, _sensor_gain_known
    )
    yield Cause(
        "zero shift of the sensor", "sensor", "output without load, of that at the top load", "%", 0.005, 0.3,
        sensor_zero, False, _sensor_zero_known,
    )  # fmt: skip
    yield Cause(
        "moisture in the film", "sensor", "conductance and its zero", "%", 0.01, 0.6, moisture, False, FILM
    )
    yield Cause(
        "moisture in the bridge", "sensor", "zero and its creep", "%", 0.001, 0.1, wetter_bridge, True,
        _with("sensor.rated_output"),
    )  # fmt: skip
    yield Cause(
        "saturation of the film", "sensor", "loss of conductance at the top load by contact resistance", "%", 0.02,
        0.6, further("sensor.series_resistance"), False, _with("sensor.series_resistance"),
    )  # fmt: skip
    yield Cause("worn film", "sensor", "exponent and scatter", "%", 0.01, 0.4, worn_film, False, FILM)
    yield Cause(
        "delaminated film", "sensor", "turn-on load, of the top load", "%", 0.005, 0.3,
        raised("sensor.turn_on", "top load"), False, _with("sensor.turn_on"),
    )  # fmt: skip
    yield Cause(
        "wider loop of the sensor", "sensor", "hysteresis", "%", 0.005, 0.4, raised("sensor.hysteresis"), False,
        _with("sensor.hysteresis"),
    )  # fmt: skip
    yield Cause(
        "faster creep", "sensor", "creep per decade", "%", 0.002, 0.2, raised("sensor.creep"), False,
        _with("sensor.creep"),
    )  # fmt: skip
    yield Cause(
        "poor zero return", "sensor", "zero return, of the output at the top load", "%", 0.002, 0.2,
        raised("sensor.zero_return"), False, _with("sensor.zero_return"),
    )  # fmt: skip
    yield Cause(
        "temperature coefficient of the sensor", "sensor", "change of sensitivity with temperature", "%/K", 1e-4, 1e-2,
        span_coefficient, True, _with_any(SPAN_COEFFICIENTS), warmed=True,
    )  # fmt: skip
    yield Cause(
        "temperature coefficient of the zero", "sensor",
        "change with temperature of the output without load, of that at the top load", "%/K", 1e-4, 1e-2,
        zero_coefficient, True, _with_any(ZERO_COEFFICIENTS), warmed=True,
    )  # fmt: skip
    yield Cause(
        "scatter between placements", "mechanics", "reload scatter", "%", 0.003, 0.3, raised("sensor.reload_scatter"),
        False, FILM,
    )  # fmt: skip
    yield Cause(
        "load share lost to the housing", "mechanics", "share of the load", "%", 0.01, 0.6, housing_share, False,
        CONCENTRATOR,
    )  # fmt: skip
    yield Cause(
        "housing stop engages early", "mechanics", "share of the top load above the stop", "%", 0.03, 0.7,
        stop_of_range, False, _with("interface.stop_force"),
    )  # fmt: skip
    yield Cause(
        "compliant load path",
        "mechanics",
        "share of a load that arrives late",
        "%",
        0.01,
        0.5,
        compliant_path,
    )
    yield Cause("friction in the guide", "mechanics", "share of the load", "%", 0.003, 0.2, friction)
    yield Cause(
        "tilted load line", "mechanics", "standard deviation of the tilt", "rad", 0.05, 0.5,
        raised("interface.tilt"), False, PLACED,
    )  # fmt: skip
    yield Cause(
        "misplaced concentrator", "mechanics", "standard deviation of the offset, of the pad radius", "%", 0.03, 0.6,
        raised("interface.placement", "pad radius"), False, PLACED,
    )  # fmt: skip
    yield Cause(
        "preload lost", "mechanics", "share of the preload", "%", 0.05, 1.0,
        relative("interface.preload", -1.0, calibrated=False), False, _stated("interface.preload"),
    )  # fmt: skip
    yield Cause(
        "resistance of connector or cable", "circuit", "loss of current at the top load", "%", 0.02, 0.6, connector,
        False, _with("circuit.source_resistance", "sensor.series_resistance"),
    )  # fmt: skip
    yield Cause(
        "resistance of the supply leads", "circuit", "lead over bridge resistance", "%", 0.001, 0.2, lead, False,
        _with("sensor.bridge_resistance", "sensor.lead_resistance"),
    )  # fmt: skip
    yield Cause(
        f"wrong {AMPLIFIER_RESISTOR}", "circuit", "resistance against the design", "%", 0.01, 0.8,
        lambda s, size: s if (r := resistor_of(s.built)) is None else relative(r, 1.0)(s, size), True, _has_gain,
    )  # fmt: skip
    yield Cause(
        "sagging reference", "circuit", "reference voltage", "%", 0.005, 0.4,
        relative("circuit.reference", -1.0, calibrated=False), False, _absolute,
    )  # fmt: skip
    yield Cause(
        "offset of the amplifier", "circuit", "offset at the output, of its full-scale voltage", "%", 0.003, 0.3,
        offset_of_full_scale, True, _with("circuit.offset"),
    )  # fmt: skip
    yield Cause(
        "leakage beside the sensor", "circuit", "leakage, of the conductance at the top load", "%", 0.005, 0.3, leakage,
        False, _with("circuit.leakage"),
    )  # fmt: skip
    yield Cause("filter too slow", "circuit", "time constant of the signal", "s", 0.1, 3.0, slow_filter)
    yield Cause(
        "clipping of the amplifier", "circuit", "loss of signal at the top load", "%", 0.02, 0.7, clipping, False,
        _with("circuit.swing_high"),
    )  # fmt: skip
    yield Cause(
        "reference of the converter", "converter", "full scale", "%", 0.005, 0.4, reference_of_converter, True,
        _with("converter.gain_error"),
    )  # fmt: skip
    yield Cause(
        "noise of the converter", "converter", "noise, counts rms", "", 1.0, 100.0, raised("converter.noise"), False,
        _with("converter.noise"),
    )  # fmt: skip
    yield Cause("wrong firmware constant", "firmware", "gain that firmware counts on", "%", 0.01, 0.8, firmware_gain,
                True, _sensor_gain_known)  # fmt: skip
    yield Cause("other temperature than stated", "climate", "temperature", "K", 1.0, 40.0, warmer, True)
    yield Cause(
        "calibrated at another dwell", "calibration", "decades of dwell", "", 0.3, 3.0,
        calibrated_at("dwell"), True, _calibrates,
    )  # fmt: skip
    yield Cause(
        "calibrated at another temperature", "calibration", "temperature", "K", 2.0, 40.0, calibrated_at("temperature"),
        True, _calibrates,
    )  # fmt: skip
    yield Cause(
        "calibrated on the other branch", "calibration", "loop, in multiples of that of the design", "", 0.5, 1.5,
        calibrated_at("branch"), False, _calibrates,
    )  # fmt: skip


CATALOGUE: tuple[Cause, ...] = tuple(_catalogue())
"""The causes that are known of these chains."""
