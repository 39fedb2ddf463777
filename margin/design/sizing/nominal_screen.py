"""Millions of designs on the nominal chain: constraints one by one, and the objectives of what is left."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case, Role
from margin.chain.chain import Chain, Response
from margin.chain.checks import CHECKS, output_limits, resolution_at
from margin.chain.circuits import FrontEnd
from margin.chain.firmware import Firmware
from margin.chain.laws import absent, reciprocal
from margin.chain.parameter import Value
from margin.design.sizing.corners import Corners, CornerSensor
from margin.design.sizing.part_table import PartTable
from margin.design.sizing.spaces import Space
from margin.propagation.assemble import Nominal
from margin.propagation.frame import permissible_error
from margin.propagation.threads import default_workers

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

CHUNK = 4096
"""Designs, apart from their capacitors, in one step: its arrays stay in the cache."""

UPPER, LOWER = "upper limit of the output", "lower limit of the output"
RESOLUTION, FILTER = "resolution at the smallest load", "settling of the filter"

OF_THE_CHAIN = (
    "sensor current", "sensor voltage", "amplifier output current", "phase margin", "bandwidth",
    "settling at the converter",
)  # fmt: skip
"""Design checks of the chain that constrain a design where the case states what they rest on."""

CONSTRAINTS = (UPPER, LOWER, RESOLUTION, *OF_THE_CHAIN, FILTER)

NEEDED = {
    "sensor current": "sensor.current_limit",
    "sensor voltage": "sensor.voltage_limit",
    "amplifier output current": "circuit.output_current_limit",
    "phase margin": "circuit.input_capacitance (of sensor, cable and amplifier) and circuit.gain_bandwidth",
    "bandwidth": "use.load_frequency",
    "settling at the converter": "converter.sampling_capacitor and converter.sampling_time",
    FILTER: "converter.bits, or use.dwell above 0 s",
    RESOLUTION: "converter.bits, or a check load above 0 N",
}
"""What a case must state for a constraint to be checked."""

ENOUGH = 1.01
"""The smallest capacitor is taken whose noise is within this ratio of the least."""


@dataclass(frozen=True)
class Screened:
    """Designs of one circuit that meet every constraint, each with the one capacitor that suits it best.

    number, capacitor  of the space: combination, and place of the capacitor
    resolution  N that one count stands for at the smallest load above 0 N
    noise       rms of rounding, noise, offset and drift of converter and circuit as a share of the permissible error,
                at the worse of smallest and largest load
    risk        share of units beyond a limit (`Corners.risk`)
    swing       share of the converter's range that the nominal unit uses between smallest and largest load
    tried       designs, counted with their grades and capacitors; left: those that meet every constraint
    refused     by constraint: designs that it refuses; alone: designs that it alone refuses
    unchecked   constraints that the case says nothing for
    """

    space: Space
    number: NDArray[np.intp]
    capacitor: NDArray[np.intp]
    resolution: Array
    noise: Array
    risk: Array
    swing: Array
    tried: int
    left: int
    refused: dict[str, int]
    alone: dict[str, int]
    unchecked: tuple[str, ...]


@dataclass(frozen=True)
class Wanted:
    """What a screen holds designs against.

    resolution  N that one count may stand for at the smallest load; corners: outputs of the sensors
    spreads     role, field and standard deviation of what varies in the circuit, and drifts in the converter, but for
                parts and ratios that are chosen
    """

    resolution: float
    corners: Corners
    spreads: tuple[tuple[str, str, float], ...] = ()

    @classmethod
    def of(cls, case: Case, resolution: float, corners: Corners) -> Wanted:
        """With what the case states to vary.

        What varies in counts alone costs every circuit about alike: of the converter drifts are left, for what they
        are at another temperature. A calibration removes much of an offset: a larger signal is better all the same.
        """
        chosen = getattr(case.elements["circuit"].cls, "ratio_keys", ())
        found = []
        roles: tuple[Role, ...] = ("circuit", "converter")
        for role in roles:
            for field, quantity in case.elements[role].quantities.items():
                counts = role == "circuit" or quantity.cause == "temperature"
                if counts and quantity.grades is None and quantity.spreads and field not in chosen:
                    spreads = (
                        each.distribution.sd * (quantity.nominal if each.relative else 1.0)
                        for each in quantity.spreads
                    )
                    found.append((role, field, float(np.sqrt(sum(sd * sd for sd in spreads)))))
        return cls(resolution, corners, tuple(found))


def screen(
    case: Case,
    nominal: Nominal,
    space: Space,
    parts: PartTable,
    wanted: Wanted,
    progress: Callable[[int], None] = lambda done: None,
    workers: int | None = None,
) -> Screened:
    """Every design of a space against every constraint, by the chain's own elements on arrays."""
    weights = space.weights(parts)

    def counted(start: int) -> _Counted:
        with np.errstate(all="ignore"):
            numbers = np.arange(start, min(start + CHUNK, space.size))
            step = _Step(case, nominal, space, numbers, wanted)
            return _counted(step, weights[space.places(numbers)[2]][:, None])

    refused, alone = dict.fromkeys(CONSTRAINTS, 0), dict.fromkeys(CONSTRAINTS, 0)
    columns: list[tuple[NDArray[Any], ...]] = []
    left, checked = 0, set[str]()
    with ThreadPoolExecutor(max_workers=workers or default_workers()) as pool:
        for found in pool.map(counted, range(0, space.size, CHUNK)):
            checked |= found.refused.keys()
            left += found.left
            columns.append(found.best)
            for name, number in found.refused.items():
                refused[name] += number
                alone[name] += found.alone[name]
            progress(found.tried)
    joined = [np.concatenate(each) for each in zip(*columns, strict=True)]
    numbers, capacitor, resolution, noise, risk, swing = joined
    combinations = space.size // len(space.resistors)
    return Screened(
        space=space,
        number=numbers,
        capacitor=capacitor,
        resolution=resolution,
        noise=noise,
        risk=risk,
        swing=swing,
        tried=int(weights.sum()) * combinations * len(space.capacitors),
        left=left,
        refused=refused,
        alone=alone,
        unchecked=tuple(name for name in CONSTRAINTS if name not in checked),
    )


class _Counted(NamedTuple):
    """What one chunk gives; see `Screened`. tried: combinations, without grades and capacitors."""

    tried: int
    left: int
    refused: dict[str, int]
    alone: dict[str, int]
    best: tuple[NDArray[Any], ...]


def _counted(step: _Step, weight: NDArray[np.int64]) -> _Counted:
    """Constraints of one chunk, each design counted with its grades (`weight`)."""
    failing = dict(step.failing())
    shape = (step.numbers.size, len(step.space.capacitors))
    fails = np.zeros(shape, dtype=np.int8)
    for flags in failing.values():
        fails += flags
    refused = {name: int(np.sum(np.broadcast_to(flags, shape) * weight)) for name, flags in failing.items()}
    alone = {name: int(np.sum((flags & (fails == 1)) * weight)) for name, flags in failing.items()}
    passed = fails == 0
    return _Counted(step.numbers.size, int(np.sum(passed * weight)), refused, alone, step.best(passed))


class _Step:
    """One chunk of designs: fields of circuits of shape (number, capacitor, 1), loads on the last axis."""

    def __init__(
        self, case: Case, nominal: Nominal, space: Space, numbers: NDArray[np.intp], wanted: Wanted
    ) -> None:
        self.numbers, self.wanted, self.space = numbers, wanted, space
        self.setting = nominal.setting
        plain = space.circuit(numbers, 0.0)
        chain = nominal.chain
        self.chain = Chain(chain.interface, chain.sensor, plain, chain.converter)
        corner = CornerSensor.of(chain.sensor, wanted.corners)
        self.corner_chain = Chain(chain.interface, corner, plain, chain.converter)
        self.loads = np.array([smallest_load(case), case.check_loads[-1]])
        self.at_corners = self.corner_chain.respond(self.loads, self.setting)
        capacitors = np.array(space.capacitors).reshape(1, -1, 1)
        # joined to the sensor by the chain, where it needs to be
        self.joined: FrontEnd = self.corner_chain.circuit  # type: ignore[assignment]
        self.filtered = dataclasses.replace(self.joined, capacitor=capacitors)
        step = 1e-3 * self.loads[0] if self.loads[0] > 0.0 else 1e-3 * case.load_high
        self.by_load = np.asarray(resolution_at(self.chain, self.setting, self.loads, step))
        self.resolution = self.by_load[..., 0]
        self.permissible = permissible_error(case.requirement, self.loads, case.span)

    def failing(self) -> Iterator[tuple[str, Flags]]:
        """Constraints that are checked, and the designs that fail each: (number, 1) or (number, capacitor)."""
        lowest, highest = output_limits(self.corner_chain, self.setting)
        voltage = np.asarray(self.at_corners.voltage)
        yield UPPER, ~np.all(voltage <= highest, axis=-1)
        yield LOWER, ~np.all(voltage >= lowest, axis=-1)
        if self.chain.converter.bits and self.loads[0] > 0.0:
            yield RESOLUTION, ~(self.resolution <= self.wanted.resolution)
        frequency = self.wanted.corners.frequency
        setting = dataclasses.replace(self.setting, load_frequency=frequency)
        circuit = self.filtered
        chain = dataclasses.replace(self.corner_chain, circuit=circuit)
        response: Response = dataclasses.replace(self.at_corners, setting=setting, circuit=circuit)
        for check in CHECKS:
            if check.name not in OF_THE_CHAIN:
                continue
            value, limit = check.measure(chain, response, self.loads), check.limit(chain, response)
            if value is None or limit is None:
                continue
            good = (
                np.less_equal(value, limit) if check.favourable == "below" else np.greater_equal(value, limit)
            )
            if check.name == "bandwidth":  # 0 Hz: neither filter nor amplifier limits
                good = good | np.equal(value, 0.0)
            yield check.name, ~np.all(good, axis=-1)
        constants, dwell = self.chain.converter.settling_constants, self.wanted.corners.dwell
        if constants and dwell > 0.0:
            slow = circuit.time_constant(response.output, self.setting)
            if not absent(circuit.gain_bandwidth):
                turns = 2.0 * np.pi * circuit.gain_bandwidth
                slow = slow + circuit.noise_gain(response.output, self.setting) * reciprocal(turns)
            yield FILTER, ~np.all(np.asarray(slow) * constants <= dwell, axis=-1)

    def best(self, passed: Flags) -> tuple[NDArray[Any], ...]:
        """Designs with a capacitor that passes: number, place of the capacitor, objectives."""
        rows = np.flatnonzero(passed.any(axis=1))
        noise = np.broadcast_to(self._noise(), passed.shape)[rows]
        allowed = np.where(passed[rows], noise, np.inf)
        # the capacitors ascend: the first that is good enough is the smallest
        enough = allowed <= ENOUGH * allowed.min(axis=1, initial=np.inf)[:, None]
        place = enough.argmax(axis=1) if rows.size else np.zeros(0, dtype=np.intp)
        risk = self._risk()
        swing = np.broadcast_to(self._swing(), (self.numbers.size,))
        resolution = np.broadcast_to(self.resolution, (self.numbers.size, 1))[:, 0]
        chosen = noise[np.arange(rows.size), place] if rows.size else np.zeros(0)
        return self.numbers[rows], place, resolution[rows], chosen, risk[rows], swing[rows]

    def _noise(self) -> Array:
        """Rms of rounding, noise, offset and drift, of the permissible error; (number, capacitor)."""
        converter, circuit = self.chain.converter, self.filtered
        output = self.chain.respond(self.loads, self.setting).output
        rms = circuit.noise_rms(output, self.setting)
        full = converter.span_voltage(circuit.reference_voltage(self.setting), self.setting)
        counts = np.asarray(rms / full * converter.levels)
        rounding = 1.0 / 12.0 if converter.bits else 0.0
        squared = rounding + (converter.noise**2 + counts**2) / converter.averaging + self._varying()
        return np.asarray(np.max(self.by_load * np.sqrt(squared) / self.permissible, axis=-1))

    def _varying(self) -> Array:
        """Variance, squared counts, of what varies, at the farthest temperature of use; (number, 1, load)."""
        converter, circuit = self.chain.converter, self.joined
        setting = dataclasses.replace(self.setting, temperature=self.wanted.corners.temperature)
        output = self.chain.respond(self.loads, self.setting).output

        def counts(circuit: Any, converter: Any) -> Value:
            voltage = circuit.voltage(output, setting)
            return np.asarray(converter.counts(voltage, circuit.reference_voltage(setting), setting))

        still, total = counts(circuit, converter), np.zeros((1, 1, 1))
        for role, field, sd in self.wanted.spreads:
            element: Any = circuit if role == "circuit" else converter
            if hasattr(element, field):
                moved = dataclasses.replace(element, **{field: getattr(element, field) + sd})
                pair = (moved, converter) if role == "circuit" else (circuit, moved)
                total = total + (counts(*pair) - still) ** 2
        return total

    def _risk(self) -> Array:
        limits = output_limits(self.chain, self.setting)
        firmware = Firmware(self.chain)
        outputs = [np.asarray(firmware.output_of_voltage(limit, self.setting)) for limit in limits]
        shape = (self.numbers.size, 1, 1)
        first, second = (np.broadcast_to(each, shape)[:, 0, 0] for each in outputs)
        return np.asarray(self.wanted.corners.risk(np.minimum(first, second), np.maximum(first, second)))

    def _swing(self) -> Array:
        voltage = np.asarray(self.chain.respond(self.loads, self.setting).voltage)
        reference = self.chain.circuit.reference_voltage(self.setting)
        full = np.asarray(self.chain.converter.span_voltage(reference, self.setting))
        return np.asarray((np.abs(voltage[..., 1:] - voltage[..., :1]) / full)[:, 0, 0])


def smallest_load(case: Case) -> float:
    """N, the smallest check load above 0 N."""
    return next((load for load in case.check_loads if load > 0.0), 0.0)
