"""What the chain asks of its elements. An element of a user's own fulfils one of these protocols."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, Protocol, runtime_checkable

from margin.chain.parameter import Value
from margin.chain.setting import Setting

OutputKind = Literal["conductance", "ratio"]
"""What a sensor puts out: a conductance (S), or the ratio of bridge output to excitation (V/V)."""


@dataclass(frozen=True)
class Contact:
    """How the load reaches the sensing area.

    force       N, through the sensing area
    area        loaded area relative to its nominal value (1: as designed)
    unevenness  variance of the pressure over the loaded area, relative to its mean squared (0: uniform)
    """

    force: Value
    area: Value = 1.0
    unevenness: Value = 0.0


class Interface(Protocol):
    """Mechanics between the load and the sensor."""

    kind: ClassVar[str]

    def transmit(self, load: Value, setting: Setting) -> Contact:
        """Contact at the sensor under `load` (N)."""

    def load_from(self, force: Value) -> Value:
        """Load (N) that brings `force` (N) to the sensor: the inverse of `transmit` for these values."""


@runtime_checkable
class BranchedInterface(Protocol):
    """Interface whose force depends on the branch of the load cycle; optional."""

    def load_on_branch(self, force: Value, setting: Setting) -> Value:
        """Load (N) that brings `force` (N) to the sensor on the branch of the setting."""


class Sensor(Protocol):
    """Sensing element. `output` and `force_from` are inverse to each other on the branch of the setting."""

    kind: ClassVar[str]

    @property
    def output_kind(self) -> OutputKind:
        """What `output` is; a field, a class variable or a property."""

    def output(self, contact: Contact, setting: Setting) -> Value:
        """Conductance (S) at `voltage_reference`, or bridge ratio (V/V)."""

    def force_from(self, output: Value, setting: Setting) -> Value:
        """Force (N) at which a uniform, as-designed contact gives `output`; 0 below the turn-on load."""

    @property
    def voltage_coefficient(self) -> Value:
        """Relative change of the output per volt of sensor voltage, 1/V (0 where there is none)."""

    @property
    def voltage_reference(self) -> Value:
        """Sensor voltage, V, of `output`."""


@runtime_checkable
class SelfHeatingSensor(Protocol):
    """Sensor that the power in it warms, once it is in thermal equilibrium; optional.

    `heated` and `cooled` are inverse to each other; both take and give outputs at `voltage_reference`.
    """

    @property
    def heats_itself(self) -> bool:
        """Whether anything is stated of it."""

    def power(self, voltage: Value, output: Value, setting: Setting) -> Value:
        """Power in the sensing element, W, at a voltage (V) across the sensor and its leads and that output."""

    def heated(self, output: Value, power: Value, setting: Setting) -> Value:
        """Output with that power (W) in the sensor, from the output without."""

    def cooled(self, output: Value, power: Value, setting: Setting) -> Value:
        """Output without power, from the output with it."""


class Circuit(Protocol):
    """Front end. It sets the sensor's voltage and turns the sensor's output into a voltage."""

    kind: ClassVar[str]
    accepts: ClassVar[OutputKind]

    def operate(self, output: Value, coefficient: Value, voltage_reference: Value, setting: Setting) -> Value:
        """Output of the sensor at the voltage that this circuit puts across it (closed form)."""

    def sensor_voltage(self, output: Value, setting: Setting) -> Value:
        """Voltage across the sensor, V."""

    def voltage(self, output: Value, setting: Setting) -> Value:
        """Output voltage, V, noise included, before the limits of the output swing."""

    def swing(self, setting: Setting) -> tuple[Value, Value]:
        """Lowest and highest voltage, V, that the output reaches."""

    def reference_voltage(self, setting: Setting) -> Value:
        """Voltage, V, of the node that a ratiometric converter shares."""

    def output_from(self, voltage: Value, setting: Setting) -> Value:
        """Sensor output that gives `voltage` at rest: what firmware computes from the values of the design."""


@runtime_checkable
class LoadedOutput(Protocol):
    """Circuit with a known output resistance towards the converter; optional."""

    def output_resistance(self, output: Value, setting: Setting) -> Value:
        """ohm."""


@runtime_checkable
class FilteredOutput(Protocol):
    """Circuit with a known filter capacitance across the converter's input; optional."""

    def output_capacitance(self) -> Value:
        """F."""


@runtime_checkable
class SettlingCircuit(Protocol):
    """Circuit with a filter pole, which a step of the load has to pass; optional."""

    def time_constant(self, output: Value, setting: Setting) -> Value:
        """s; 0 without a filter."""


@runtime_checkable
class FollowingCircuit(Protocol):
    """A circuit that does not follow a swinging load at once; optional."""

    def followed(self, unloaded: Value, output: Value, setting: Setting) -> Value:
        """Sensor output (S or V/V) that is read of a swing from `unloaded` to `output`."""


@runtime_checkable
class FedBackCircuit(Protocol):
    """A circuit whose amplifier may oscillate with a capacitance at its input; optional.

    Without a stated input capacitance, or gain-bandwidth product, nothing can be said of it.
    """

    input_capacitance: Value
    gain_bandwidth: Value

    def phase_margin(self, output: Value, setting: Setting) -> Value:
        """Degrees."""


@runtime_checkable
class SwitchedCircuit(Protocol):
    """A circuit that the columns of an array share by switches, which leak; optional."""

    @property
    def switched_columns(self) -> int:
        """Columns that share it; 0: none."""

    def switched(self, setting: Setting) -> Value:
        """Current that the open switches take out of its input, A."""

    def sensor_current(self, output: Value, setting: Setting) -> Value:
        """Current through the sensor, A."""


@runtime_checkable
class JoinedCircuit(Protocol):
    """A circuit whose response rests on a quantity of its sensor beside the output; optional."""

    def joined_to(self, sensor: Sensor) -> Circuit:
        """The circuit with what it takes from the sensor."""
