"""The measuring chain: interface -> sensor <-> circuit -> converter -> firmware. Pure physics on arrays."""

from margin.chain.chain import Chain, Response
from margin.chain.checks import CHECKS, Check
from margin.chain.circuits import (
    BridgeAmplifier,
    ConstantCurrent,
    Divider,
    InvertingAmplifier,
    NonInvertingAmplifier,
)
from margin.chain.converter import Converter
from margin.chain.elements import Circuit, Contact, Interface, OutputKind, Sensor
from margin.chain.firmware import Firmware, FirmwareElement
from margin.chain.interface import ConcentratorInterface, DirectInterface
from margin.chain.parameter import (
    CAUSE_OF_ROLE,
    CAUSES,
    GRADES,
    CauseName,
    Grades,
    Level,
    Value,
    options_of,
    parameters_of,
)
from margin.chain.registry import ELEMENTS, element, register
from margin.chain.sensors import StrainGaugeBridge, TabulatedCurve, ThinFilm
from margin.chain.setting import Setting

__all__ = [
    "CAUSES",
    "CAUSE_OF_ROLE",
    "CHECKS",
    "ELEMENTS",
    "GRADES",
    "BridgeAmplifier",
    "CauseName",
    "Chain",
    "Check",
    "Circuit",
    "ConcentratorInterface",
    "ConstantCurrent",
    "Contact",
    "Converter",
    "DirectInterface",
    "Divider",
    "Firmware",
    "FirmwareElement",
    "Grades",
    "Interface",
    "InvertingAmplifier",
    "Level",
    "NonInvertingAmplifier",
    "OutputKind",
    "Response",
    "Sensor",
    "Setting",
    "StrainGaugeBridge",
    "TabulatedCurve",
    "ThinFilm",
    "Value",
    "element",
    "options_of",
    "parameters_of",
    "register",
]
