"""The area of a load concentrator is related to the design, not to the unit's own radius."""

from __future__ import annotations

import numpy as np
import pytest
from pad_study import NONE, errors_of, loads_of, only, pad_case, use_draws

from margin.case import Case, nominal_elements

EXPONENT = 0.8


def with_radius(radius: str, **more: str) -> Case:
    """A pad whose conductance depends on pressure, under a concentrator well inside the sensing area."""
    interface = {"kind": "load concentrator", "concentrator_radius": radius, "sensing_radius": "6 mm", **more}
    return pad_case(NONE, interface=interface, sensor={"exponent": EXPONENT}, study={"units": 300})


def test_a_wider_concentrator_reads_high_by_its_area() -> None:
    """Without a stated design radius the error of the radius is there.

    Conductance goes with F^n area^(1 - n), so that the force is read (r / r0)^(2 (1 - n) / n) times too large
    (closed form, from a pressure F / area under a power law).
    """
    case = with_radius("4 mm +/- 2 %")
    deviation = use_draws(case, "interface.concentrator_radius")
    expected = (1.0 + deviation) ** (2.0 * (1.0 - EXPONENT) / EXPONENT) - 1.0
    found = only(case) / loads_of(case)
    assert found == pytest.approx(np.broadcast_to(expected, found.shape), rel=1e-9, abs=1e-12)
    assert np.abs(found).max() > 0.009


@pytest.mark.parametrize("stated", [{"design_radius": "4 mm"}, {"design_radius": "0 mm"}])
@pytest.mark.parametrize("radius", ["4 mm +/- 2 %", "3.9 mm to 4.1 mm", "4 mm +100 um / -50 um"])
def test_leaving_out_the_design_radius_is_stating_the_nominal_one(
    radius: str, stated: dict[str, str]
) -> None:
    """A case without a design radius, or with 0, gives to the bit the errors of one that states the nominal."""
    left_out, written = (errors_of(with_radius(radius, **more))["none"] for more in ({}, stated))
    assert np.array_equal(left_out, written)


def test_the_default_is_told_with_where_it_comes_from() -> None:
    """The design radius stands among the defaults of the case with its value and its source."""
    case = with_radius("4 mm +/- 2 %")
    assert nominal_elements(case)["interface"].design_radius == 4e-3
    (line,) = (each for each in case.defaults if each.startswith("interface.design_radius"))
    assert line == "interface.design_radius = 4 mm: as concentrator_radius, without spread"


def test_another_design_radius_is_kept() -> None:
    """A stated design radius other than the nominal one is taken as it stands."""
    case = with_radius("4 mm", design_radius="3.9 mm")
    found = only(case) / loads_of(case)
    expected = (4.0 / 3.9) ** (2.0 * (1.0 - EXPONENT) / EXPONENT) - 1.0
    assert found == pytest.approx(np.full(found.shape, expected), rel=1e-9)
