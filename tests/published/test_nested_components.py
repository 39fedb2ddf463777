"""Variance components of published nested studies."""

import numpy as np
import pytest

from margin.bench import nested_components


def study(counts: tuple[int, ...], sums: tuple[float, ...]):
    """Balanced data with exactly these sums of squares: equally spaced effects inside each parent, scaled."""
    shape = tuple(counts)
    values = np.zeros(shape)
    for axis, total in enumerate(sums):
        effect = np.linspace(-1.0, 1.0, counts[axis])
        effect = effect.reshape((1,) * axis + (-1,) + (1,) * (len(counts) - axis - 1))
        effect = np.broadcast_to(effect, shape)
        values = values + effect * np.sqrt(total / np.sum(effect**2))
    labels = np.indices(shape).reshape(len(counts), -1)
    return values.ravel(), labels


def test_machine_and_operator() -> None:
    """NIST/SEMATECH e-Handbook 3.2.3.3: 5 machines, 2 operators, 5 pins; the operators' part is negative."""
    values, labels = study((5, 2, 5), (0.00030332, 0.0000186, 0.000346))
    found = nested_components(values, {"machine": labels[0], "operator": labels[1]}, residual="pin")
    anova = found.anova.set_index("level")
    assert anova["dof"].tolist() == [4, 5, 40]
    assert anova["mean_square"].tolist() == pytest.approx([0.0000758, 0.00000372, 0.00000865], rel=1e-3)
    assert anova["mean_square"]["machine"] / anova["mean_square"]["pin"] == pytest.approx(8.77, abs=0.005)
    assert anova["F"]["machine"] == pytest.approx(20.384, abs=0.001)
    operator = found["operator"]
    assert operator.variance == 0 and operator.negative
    assert "-9.86e-07" in operator.note and "reported as 0" in operator.note


def test_machine_and_spindle() -> None:
    """Published course example, 3 x 2 x 4: F 1.9114 and 9.9057, p 0.2915630 and 0.0004428, components."""
    values, labels = study((3, 2, 4), (55.75, 43.75, 26.5))
    found = nested_components(values, {"machine": labels[0], "spindle": labels[1]})
    anova = found.anova
    assert anova["F"][:2].tolist() == pytest.approx([1.9114, 9.9057], abs=5e-5)
    assert anova["p"][:2].tolist() == pytest.approx([0.2915630, 0.0004428], abs=5e-8)
    variances = [component.variance for component in found.components]
    assert variances == pytest.approx([1.661458, 3.277778, 1.472222], abs=5e-7)


def test_dyestuff() -> None:
    """Davies 1949 (Box and Tiao 1973, 5.1.2): batches 1764.05, residual 2451.25, mean 1527.5."""
    yields = """1545 1440 1440 1520 1580 1540 1555 1490 1560 1495 1595 1550 1605 1510 1560
                1445 1440 1595 1465 1545 1595 1630 1515 1635 1625 1520 1455 1450 1480 1445"""
    values = np.array(yields.split(), dtype=float)
    found = nested_components(values, {"batch": np.repeat(np.arange(6), 5)})
    assert found.mean == pytest.approx(1527.5)
    assert found["batch"].variance == pytest.approx(1764.05)
    assert found["reading"].variance == pytest.approx(2451.25)
    assert found["batch"].sd == pytest.approx(42.0006, abs=5e-5)
    assert found["reading"].sd == pytest.approx(49.5101, abs=5e-5)
