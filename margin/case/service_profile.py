"""What units go through in service, as a case states it: plain data, and how load cycles count by their load."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from margin.chain.parameter import Value

Shares = tuple[tuple[float, float], ...]
"""(value, share) of a histogram; the shares sum to 1."""


@dataclass(frozen=True)
class ServiceProfile:
    """Loads, temperatures and times of service; load cycles an hour, duty and a single temperature are in `use`.

    years                of service, of 8766 h; None where the case does not say
    loads                (N, share of the load cycles); none: all load cycles count alike
    cycle_load           N, load of the cycles to which effects of load cycles are stated
    temperatures         (degC, share of the time), two or more; none: that of `use.service_temperature`
    stored               h of storage; 0: none
    storage_temperature  degC
    storage_before       whether units are stored before their calibration, or between it and their use
    """

    years: float | None = None
    loads: Shares = ()
    cycle_load: float = 1.0
    temperatures: Shares = ()
    stored: float = 0.0
    storage_temperature: float = 25.0
    storage_before: Literal["calibration", "use"] = "use"

    def weight(self, exponent: Value) -> Value:
        """Load cycles to `cycle_load` that a load cycle counts as: mean of (load / cycle load)^exponent over them.

        Damage adds up cycle by cycle (linear accumulation, Palmgren and Miner; power of the load: common practice, no
        source).

        >>> float(ServiceProfile(loads=((30.0, 0.5), (60.0, 0.5)), cycle_load=60.0).weight(1.0))
        0.75
        """
        if not self.loads:
            return 1.0
        result: Value = sum(
            share * np.exp(exponent * math.log(load / self.cycle_load)) for load, share in self.loads
        )
        return result
