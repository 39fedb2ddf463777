"""A pad whose error is that of two gains, as a small design with grades of both parts to buy."""

from __future__ import annotations

from typing import Any

from pad_study import NONE, ONE_POINT, pad_case
from scipy.integrate import quad
from scipy.stats import norm

from margin.case import Case

GAINS: dict[str, Any] = {
    "load": {"check": 2},
    "sensor": {
        "kind": "thin film", "sensitivity": "4 uS +/- 12 % (2 sigma) per unit", "reference_load": "20 N",
        "exponent": "1",
    },
    "circuit": {"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "50 kohm +/- 4 % (2 sigma)"},
    "converter": {"bits": 20},
    "study": {"units": 60_000, "outer": 1},
}  # fmt: skip
SENSORS, RESISTORS = {"": 0.06, "B": 0.04, "A": 0.025}, {"": 0.02, "1 %": 0.005}
"""Standard deviations by grade; '' is today's."""

PRICE_OF = {"": 0.0, "B": 0.4, "A": 0.9, "1 %": 0.2}

MEASURES: list[dict[str, Any]] = [
    {"name": "sensor B", "group": "sensor", "cost": 0.4,
     "changes": ["sensor.sensitivity=4 uS +/- 8 % (2 sigma) per unit"]},
    {"name": "sensor A", "group": "sensor", "cost": 0.9,
     "changes": ["sensor.sensitivity=4 uS +/- 5 % (2 sigma) per unit"]},
    {"name": "resistor 1 %", "cost": 0.2, "changes": ["circuit.feedback=50 kohm +/- 1 % (2 sigma)"]},
    {"name": "one point", "option": "one-point"},
]  # fmt: skip


def gain_yield(sensor: float, resistor: float, limit: float) -> float:
    """P(|(1 + s) (1 + r) - 1| <= limit) for independent normal s and r, by quadrature."""

    def density(s: float) -> float:
        ends = ((1.0 + sign * limit) / (1.0 + s) - 1.0 for sign in (1.0, -1.0))
        high, low = (norm.cdf(end / resistor) for end in ends)
        return float(norm.pdf(s / sensor) / sensor * (high - low))

    return float(quad(density, -6.0 * sensor, 6.0 * sensor, limit=200)[0])


def gain_case(limit: float, share: float, seed: int = 3) -> Case:
    """The pad with its permissible error (share of the reading) and required yield; the calibration is exact."""
    need = {"permissible_error": f"{100.0 * limit:g} % of reading", "yield": f"{100.0 * share:g} %"}
    study = {**GAINS["study"], "seed": seed}
    return pad_case(NONE, ONE_POINT, **{**GAINS, "requirement": need, "study": study})


def file_of(hour: float, unit: float, **changed: Any) -> dict[str, Any]:
    """The measures as their file holds them, with tables replaced."""
    return {
        "today": {"option": "none"},
        "prices": {"unit": unit, "hour": hour},
        "measure": MEASURES,
        **changed,
    }
