"""Analogue-to-digital converter: a true staircase with its errors."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, ClassVar

import numpy as np

from margin.chain.laws import absent, root_of_time
from margin.chain.parameter import Value, draw, option, parameter
from margin.chain.setting import Setting


@lru_cache(maxsize=32)
def best_fit_factor(periods: int) -> float:
    """Largest departure of a sine of m periods over [0, 1] from its line of least squares, for the worst phase p.

    That line is -6 cos(p) / (pi m) (x - 1/2). With a = 6 (x - 1/2) / (pi m) the departure is
    (sin(2 pi m x) + a) cos(p) + cos(2 pi m x) sin(p), for the worst phase sqrt(1 + 2 a sin(2 pi m x) + a^2), which is
    largest in the last period, or alike in the first. 1.38 for one period, 1.14 for two.
    """
    low, high = 1.0 - 1.0 / periods, 1.0
    largest = 1.0
    for _ in range(3):
        x = np.linspace(low, high, 2001)
        a = 6.0 * (x - 0.5) / (np.pi * periods)
        square = 1.0 + 2.0 * a * np.sin(2.0 * np.pi * periods * x) + a * a
        best = int(np.argmax(square))
        largest = float(np.sqrt(square[best]))
        low, high = float(x[max(best - 1, 0)]), float(x[min(best + 1, 2000)])
    return largest


@dataclass(frozen=True, kw_only=True)
class Converter:
    """Code of a voltage: clip(round(counts), 0, 2^bits - 1).

    counts = 2^bits V / Vfs (1 + g) + o + A sin(2 pi (m V / Vfs + phase)) + noise z / sqrt(N)

    Vfs  the circuit's own reference ('ratiometric': its errors then cancel by themselves), or the converter's
         own, full_scale (1 + reference_gain) with temperature coefficient and ageing ('absolute')
    A    amplitude of the integral nonlinearity, a sine of m periods with a phase of the unit (`inl_amplitude`)
    N    conversions averaged; with N > 1 the noise of the circuit is averaged too (`Chain`). The mean is kept
         as a whole code: a finer mean, which needs noise of about half a count or more, is not credited.

    A sampling capacitor that is emptied before each sample, as stated by `sampling_capacitor` and `sampling_time`,
    falls short of the voltage by a share of it (`unsettled`).

    bits = 0 is an ideal converter: the code is V / Vfs, not rounded, and what is stated in counts is then a
    share of full scale. Staircase and sine of a converter: IEEE Std 1241 (from memory); common practice.
    """

    kind: ClassVar[str] = "converter"

    bits: int = option(kind=int, required=True, doc="resolution in bits; 0: ideal, not rounded")
    reference: str = option(
        "ratiometric", choices=("ratiometric", "absolute"), doc="whose reference sets the full scale"
    )
    averaging: int = option(1, kind=int, doc="conversions averaged in one reading")
    inl_periods: int = option(1, kind=int, doc="periods of the nonlinearity over the full scale")
    nonlinearity_line: str = option(
        "ideal",
        choices=("ideal", "end point", "best fit"),
        doc="line that the nonlinearity counts from: that without errors, through both ends, or of least squares",
    )
    full_scale: Value = parameter("V", 1.0, positive=True, doc="nominal full scale of an absolute converter")
    reference_gain: Value = parameter("", 0.0, doc="relative deviation of the converter's own reference")
    reference_tempco: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="relative change of its own reference"
    )
    reference_ageing: Value = parameter(
        "", 0.0, cause="ageing", doc="relative drift of its own reference over 1000 h"
    )
    reference_activation: Value = parameter(
        "eV",
        0.0,
        minimum=0.0,
        maximum=3.0,
        cause="ageing",
        doc="activation energy of the drift of its own reference (Arrhenius); 0: the same at all temperatures",
    )
    reference_noise: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        cause="noise",
        doc="white noise of its own reference in one conversion, relative rms",
    )
    reference_flicker: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        cause="noise",
        doc="slow noise of its own reference, 0.1 Hz to 10 Hz, relative rms",
    )
    gain_error: Value = parameter("", 0.0, doc="relative error of the slope")
    gain_drift: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="relative change of the slope with temperature"
    )
    offset: Value = parameter("", 0.0, doc="offset in counts")
    offset_drift: Value = parameter("1/K", 0.0, cause="temperature", doc="change of the offset in counts")
    integral_nonlinearity: Value = parameter("", 0.0, minimum=0.0, doc="largest departure, in counts")
    noise: Value = parameter("", 0.0, minimum=0.0, cause="noise", doc="noise of one conversion, counts rms")
    input_leakage: Value = parameter("A", 0.0, doc="current into the input, through the source resistance")
    sampling_capacitor: Value = parameter("F", 0.0, minimum=0.0, doc="sampling capacitor; 0: always settled")
    sampling_time: Value = parameter("s", 0.0, minimum=0.0, doc="time it is connected; 0: always settled")
    sampling_interval: Value = parameter(
        "s", 0.0, minimum=0.0, doc="from one sample to the next; 0: long enough for a filter to recharge"
    )
    inl_phase: Value = draw(
        "uniform", level="unit", scales="integral_nonlinearity", doc="phase of the nonlinearity"
    )
    noise_draw: Value = draw("normal", level="reading", scales="noise", doc="noise of the converter")
    reference_noise_draw: Value = draw(
        "normal", level="reading", scales="reference_noise", doc="white noise of its own reference"
    )
    reference_flicker_draw: Value = draw(
        "normal", level="loading", scales="reference_flicker", doc="slow noise of its own reference"
    )

    def __post_init__(self) -> None:
        if not 0 <= self.bits <= 32:
            raise ValueError(f"converter.bits must be from 0 (ideal) to 32 (got {self.bits})")
        if self.inl_periods < 1 and self.nonlinearity_line != "ideal":
            raise ValueError(
                f"converter.inl_periods must be 1 or more where nonlinearity_line is stated (got {self.inl_periods})"
            )
        if self.averaging < 1:
            raise ValueError(f"converter.averaging must be 1 or more conversions (got {self.averaging})")
        interval, time = self.sampling_interval, self.sampling_time
        if isinstance(interval, float) and isinstance(time, float) and 0.0 < interval < time:
            raise ValueError(
                f"converter.sampling_interval must not be shorter than sampling_time, {time:g} s (got {interval:g} s); "
                "leave it out where samples are rare"
            )

    @property
    def inl_amplitude(self) -> Value:
        """Amplitude A of the nonlinearity, counts, with which no unit exceeds the stated figure and some reach it.

        A sine of phase p departs from the ideal line by A. It departs by (1 + |sin p|) A from the line through its
        ends, both at A sin p: 2 A for the worst phase. From the line of least squares: `best_fit_factor`.
        Terminal-based and independently based nonlinearity: IEEE Std 1241 (from memory); the factors are derived here.
        """
        if self.nonlinearity_line == "ideal":
            return self.integral_nonlinearity
        if self.nonlinearity_line == "end point":
            return 0.5 * self.integral_nonlinearity
        return self.integral_nonlinearity / best_fit_factor(self.inl_periods)

    @property
    def levels(self) -> int:
        """Counts in the full scale, 2^bits; 1 for the ideal converter."""
        return 1 << self.bits

    @property
    def top(self) -> int:
        """Highest code."""
        return self.levels - 1 if self.bits else 1

    @property
    def settling_constants(self) -> float:
        """Time constants after which a step of full scale is within half a code: ln(2^(bits + 1)).

        9.01 at 12 bit, 11.78 at 16 bit; 0 for the ideal converter, which has no code to settle to.
        """
        return float((self.bits + 1) * np.log(2.0)) if self.bits else 0.0

    def span_voltage(self, reference_voltage: Value, setting: Setting) -> Value:
        """Full scale, V."""
        if self.reference == "ratiometric":
            return reference_voltage
        own = self.full_scale * (1.0 + self.reference_gain)
        if not absent(self.reference_tempco):
            own = own * (1.0 + self.reference_tempco * setting.warming)
        if not absent(self.reference_ageing):
            own = own * (
                1.0 + self.reference_ageing * root_of_time(setting.aged_hours(self.reference_activation))
            )
        if not absent(self.reference_noise):
            own = own * (
                1.0 + self.reference_noise / np.sqrt(float(self.averaging)) * self.reference_noise_draw
            )
        if not absent(self.reference_flicker):
            own = own * (1.0 + self.reference_flicker * self.reference_flicker_draw)
        return own

    def unsettled(self, resistance: Value, capacitance: Value) -> Value:
        """Unsettled share of a voltage on the sampling capacitor Cs when it is disconnected.

        resistance   ohm, of the source R; capacitance: F, of a filter Cf across the input, 0 without one

        Cs is connected empty for the sampling time t, then the filter recharges until the next sample, t' later:
          x = s a / (1 - (1 - s) a b),   s = Cs / (Cs + Cf),   a = exp(-t / R (Cs + Cf)),   b = exp(-t' / R Cf)
        Charge sharing takes s at once, whatever R is. x is that of an endless sequence of samples; b is 0 where
        no `sampling_interval` is stated. Without a filter capacitor s = 1 and x = exp(-t / R Cs). A capacitor that
        keeps its charge from one sample of the same input to the next lacks less. 0 where sampling capacitor or
        time are not stated. Kirchhoff's laws and conservation of charge.
        """
        sampled = self.sampling_capacitor
        if absent(sampled) or absent(self.sampling_time) or absent(resistance):
            return 0.0
        source = np.maximum(resistance, 1e-3)
        if absent(capacitance):
            result: Value = np.exp(-self.sampling_time / (source * sampled))
            return result
        shared = sampled / (sampled + capacitance)
        first = shared * np.exp(-self.sampling_time / (source * (sampled + capacitance)))
        if absent(self.sampling_interval):
            return first
        resting = np.maximum(self.sampling_interval - self.sampling_time, 0.0)
        again = (1.0 / shared - 1.0) * np.exp(-resting / (source * capacitance))
        return first / (1.0 - first * again)

    def counts(self, voltage: Value, reference_voltage: Value, setting: Setting) -> Value:
        """Counts before rounding and limiting."""
        share = voltage / self.span_voltage(reference_voltage, setting)
        counts = share * self.levels
        if not absent(self.gain_error) or not absent(self.gain_drift):
            counts = counts * (1.0 + self.gain_error + self.gain_drift * setting.warming)
        if not absent(self.offset) or not absent(self.offset_drift):
            counts = counts + (self.offset + self.offset_drift * setting.warming)
        if not absent(self.integral_nonlinearity):
            turns = self.inl_periods * share + self.inl_phase
            counts = counts + self.inl_amplitude * np.sin(2.0 * np.pi * turns)
        if not absent(self.noise):
            counts = counts + self.noise / np.sqrt(float(self.averaging)) * self.noise_draw
        return counts

    def code_of_counts(self, counts: Value) -> Value:
        """Code of counts: rounded and limited; only limited by an ideal converter."""
        whole = np.round(counts) if self.bits else counts
        result: Value = np.clip(whole, 0.0, float(self.top))
        return result

    def code(self, voltage: Value, reference_voltage: Value, setting: Setting) -> Value:
        """Code of a voltage (V)."""
        return self.code_of_counts(self.counts(voltage, reference_voltage, setting))

    def outside(self, counts: Value) -> Any:
        """Whether counts lie beyond the lowest or highest code by more than half a count."""
        slack = 0.5 if self.bits else 0.0
        return np.less(counts, -slack) | np.greater(counts, self.top + slack)

    def voltage_from(self, code: Value, reference_voltage: Value, setting: Setting) -> Value:
        """Voltage (V) that the code stands for, by the ideal equation: code / 2^bits * full scale."""
        return code / self.levels * self.span_voltage(reference_voltage, setting)
