"""Front ends: from the sensor's output to a voltage."""

from margin.chain.circuits.bridge_amplifier import BridgeAmplifier
from margin.chain.circuits.constant_current import ConstantCurrent
from margin.chain.circuits.divider import Divider
from margin.chain.circuits.front_end import ConductanceFrontEnd, FrontEnd, Port
from margin.chain.circuits.inverting import InvertingAmplifier
from margin.chain.circuits.non_inverting import NonInvertingAmplifier

__all__ = [
    "BridgeAmplifier",
    "ConductanceFrontEnd",
    "ConstantCurrent",
    "Divider",
    "FrontEnd",
    "InvertingAmplifier",
    "NonInvertingAmplifier",
    "Port",
]
