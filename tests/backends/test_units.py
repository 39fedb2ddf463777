"""Units under variants: the kernel judges them as array operations do, and a variant is the case that says the same."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case, without_output_beyond

from margin.backends.arrays import ArrayUnits
from margin.backends.compiled.block import Draft
from margin.backends.compiled.choose import kernel_for_units
from margin.backends.compiled.operations import NotTraceable
from margin.backends.compiled.trace import traced
from margin.backends.compiled.trace_cache import TraceCache
from margin.backends.compiled.units import CompiledUnits
from margin.case import Case
from margin.case.changes import with_changes
from margin.estimates.budget_causes import CHANGES, causes_of
from margin.estimates.budget_plan import budget_frame
from margin.estimates.shares.plan import SharesPlan
from margin.propagation.model import Model, model_of
from margin.propagation.outcomes import Asked, Outcomes, UnitEngine
from margin.propagation.plan import plan_of
from margin.propagation.points_source import columns_of
from margin.propagation.variants import Variant

pytest.importorskip("llvmlite")

UNITS = 203
"""No whole number of vectors."""

LOT_CURVE = {
    "name": "curve", "kind": "lot-curve", "loads": ["10 N", "30 N", "60 N"], "sample_units": 3, "degree": 2,
}  # fmt: skip


def mixed(*calibrations: dict[str, Any], **tables: dict[str, Any]) -> Case:
    """Causes of every level, drawn by the kernel and outside it, two of them known from few units."""
    return pad_case(
        *(calibrations or (NONE, ONE_POINT, TWO_POINT)),
        **{
            "sensor": {
                "sensitivity": "4 uS +/- 6 % (2 sigma, from 6 units) per unit, +/- 3 % per lot",
                "offset_conductance": "1 uS +/- 0.2 uS (2 sigma)",
                "reload_scatter": "1.5 %",
            },
            "circuit": {"feedback": "60 kohm +/- 1 %", "feedback_tempco": "0 ppm/K +/- 100 ppm/K"},
            "converter": {"bits": 12, "noise": 1.5},
            "use": {"temperature": "5 degC to 45 degC"},
            "station": {"reference_gain": "+/- 1 %"},
            "study": {"units": 2000, "units_per_lot": 50},
            **tables,
        },
    )


def variants_of(case: Case) -> list[Variant]:
    """Every change of every cause, and every column drawn again alone and all together."""
    model = model_of(case)
    columns = [column.name for column in columns_of(model)]
    scaled = [
        Variant(cause.scales(change))
        for by in ("factor", "part", "cause")
        for cause in causes_of(model.factors, by)  # type: ignore[arg-type]
        for change in CHANGES
    ]
    again = [Variant(redrawn=frozenset(some)) for some in (columns, *([each] for each in columns))]
    return [Variant(), *again, *scaled]


def engines(case: Case) -> tuple[ArrayUnits, CompiledUnits]:
    """Both ways of computing."""
    model, frame = model_of(case), budget_frame(case)
    kernel = kernel_for_units(model, frame, 1 << 20)
    assert kernel is not None
    return ArrayUnits(model, frame), CompiledUnits(model, kernel)


def outcomes(
    engine: UnitEngine, variants: Sequence[Variant], start: int = 0, count: int = UNITS
) -> list[Outcomes]:
    """Outcomes of all that can be asked."""
    options = len(next(iter(engine.outcomes(start, 2, [Variant()], Asked()))).largest)  # type: ignore[union-attr]
    asked = Asked(first=True, sizes=True, thresholds=np.full((len(variants), options), 0.9))
    found = list(engine.outcomes(start, count, variants, asked))
    assert None not in found
    return found  # type: ignore[return-value]


CASES = {
    "levels": mixed(),
    "lot curve": mixed(LOT_CURVE, ONE_POINT),
    "offset along x and y": mixed(interface={"kind": "load concentrator", "concentrator_radius": "5 mm +/- 0.2 mm",
                                             "sensing_radius": "6 mm", "placement": "1 mm"}),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_kernel_and_arrays_judge_units_alike(name: str) -> None:
    """Every unit's largest error and first readings agree to rounding under every variant, and every count but of
    readings at a limit to the last digits."""
    variants = variants_of(CASES[name])
    arrays, kernel = engines(CASES[name])
    for variant, one, two in zip(
        variants, outcomes(arrays, variants), outcomes(kernel, variants), strict=True
    ):
        told = str(variant)
        np.testing.assert_allclose(two.largest, one.largest, rtol=1e-9, atol=1e-12, err_msg=told)
        np.testing.assert_allclose(two.first, one.first, rtol=1e-9, atol=1e-9, err_msg=told)  # type: ignore[arg-type]
        np.testing.assert_array_equal(two.within, one.within, err_msg=told)
        np.testing.assert_array_equal(two.beyond, one.beyond, err_msg=told)
        assert np.abs(two.sizes - one.sizes).sum() <= 2, told  # type: ignore[operator]


@pytest.mark.parametrize("way", [0, 1])
def test_thresholds_placed_by_the_units_themselves(way: int) -> None:
    """Readings beyond thresholds that a variant's own sizes place are those beyond the same thresholds, stated; without
    a number there is none."""
    case = CASES["levels"]
    engine, variants = engines(case)[way], [Variant(), Variant({"circuit.feedback per unit": 2.0})]

    def middle(sizes: NDArray[np.int64]) -> NDArray[np.float64]:
        edges = budget_frame(case).bins.edges()[budget_frame(case).bins.half :]
        half = np.cumsum(sizes, axis=1) >= sizes.sum(axis=1, keepdims=True) / 2
        return np.asarray(edges[half.argmax(axis=1)])

    placed = list(engine.outcomes(0, UNITS, variants, Asked(sizes=True, placed=middle)))
    limits = np.array([middle(found.sizes) for found in placed])  # type: ignore[union-attr, arg-type]
    assert (limits > 0).all() and not np.array_equal(limits[0], limits[1])
    stated = engine.outcomes(0, UNITS, variants, Asked(sizes=True, thresholds=limits))
    for one, two in zip(placed, stated, strict=True):
        assert one is not None and two is not None and one.beyond is not None
        assert np.array_equal(one.beyond, two.beyond) and np.array_equal(one.sizes, two.sizes)
        assert 0 < one.beyond.sum() < UNITS * budget_frame(case).readings * len(limits[0])
    broken = without_output_beyond(case, 1e-9)
    assert list(engines(broken)[way].outcomes(0, 9, variants, Asked(placed=middle))) == [None, None]


def test_units_do_not_depend_on_the_block() -> None:
    """The same bits for a unit whatever block it stands in, and whatever variants stand beside."""
    _, kernel = engines(CASES["levels"])
    variants = variants_of(CASES["levels"])[:9]
    whole = outcomes(kernel, variants)
    part = outcomes(kernel, variants[5:7], 40, 77)
    for one, two in zip(whole[5:7], part, strict=True):
        assert np.array_equal(one.largest[:, 40:117], two.largest)
        assert np.array_equal(one.first[..., 40:117], two.first)  # type: ignore[index]


@pytest.mark.parametrize("way", [0, 1])
def test_a_variant_is_the_case_that_says_so(way: int) -> None:
    """A halved tolerance gives, unit by unit, the errors of the case with half of it."""
    stated = with_changes(CASES["levels"], {"circuit.feedback": "60 kohm +/- 0.5 %"})
    halved = outcomes(engines(CASES["levels"])[way], [Variant({"circuit.feedback per unit": 0.5})])
    other = outcomes(engines(stated)[way], [Variant()])
    np.testing.assert_allclose(halved[0].largest, other[0].largest, rtol=1e-9)


@pytest.mark.parametrize("way", [0, 1])
def test_what_two_draws_scale_is_scaled_once(way: int) -> None:
    """An offset along x and y halved with its whole group is the case with half of the offset."""
    case = CASES["offset along x and y"]
    stated = with_changes(case, {"interface.placement": "0.5 mm"})
    names = [f.name for f in model_of(case).factors if f.scales == "placement"]
    assert len(names) == 2
    halved = outcomes(engines(case)[way], [Variant(dict.fromkeys(names, 0.5))])
    other = outcomes(engines(stated)[way], [Variant()])
    np.testing.assert_allclose(halved[0].largest, other[0].largest, rtol=1e-9)


@pytest.mark.parametrize("way", [0, 1])
def test_columns_drawn_again_are_independent(way: int) -> None:
    """All columns drawn again give other units of the same law, without correlation; one column alone leaves the rest
    of a unit as it is."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 2 %"}, circuit={"feedback": "60 kohm +/- 2 %"},
                    study={"units": 2000})  # fmt: skip
    columns = [column.name for column in columns_of(model_of(case))]
    again = [Variant(), Variant(redrawn=frozenset(columns)), Variant(redrawn=frozenset(columns[:1]))]
    first, other, one = (
        each.first[0, 0, -1]
        for each in outcomes(engines(case)[way], again, 0, 2000)  # type: ignore[index]
    )
    # standard error of a correlation of 2000 independent units 0.022
    assert abs(np.corrcoef(first, other)[0, 1]) < 0.09
    assert np.corrcoef(first, one)[0, 1] == pytest.approx(0.5, abs=0.08)
    assert other.std() == pytest.approx(first.std(), rel=0.1)


def test_a_kernel_serves_another_resistor() -> None:
    """Cases that differ in numbers alone have one text, and so one kernel."""
    other = mixed(circuit={"feedback": "47.3 kohm +/- 1 %", "feedback_tempco": "0 ppm/K +/- 90 ppm/K"})
    texts = [Draft.of(traced(model_of(case)), plan_of(case).frame).text for case in (mixed(), other)]
    assert texts[0] == texts[1]


@pytest.mark.parametrize("way", [0, 1])
def test_a_variant_without_a_number_is_none(way: int) -> None:
    """Where an error is not a number the variant has no outcomes; the others stand."""
    case = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 5 %"},
        circuit={"feedback": "60 kohm +/- 1 %"},
        study={"units": 300},
    )
    # 60 N are 12 uS: 5 % reaches 12.6 uS, twice as much 13.2 uS
    broken = without_output_beyond(case, 12.9e-6)
    same, doubled = Variant(), Variant({"sensor.sensitivity per unit": 2.0})
    found = list(engines(broken)[way].outcomes(0, 200, [same, doubled, same], Asked()))
    assert found[1] is None
    assert found[0] is not None and np.array_equal(found[0].largest, found[2].largest)  # type: ignore[union-attr]


@pytest.mark.parametrize("tied", [True, False])
def test_rows_of_a_plan_have_the_outputs_of_array_operations(tied: bool) -> None:
    """Shapley effects and methods of SALib evaluate rows of uniforms: by a kernel as by array operations."""
    plan = SharesPlan.of(model_of(CASES["levels"]))
    arrays, kernel = plan.outputs(tied=tied), plan.outputs(tied=tied, rows=1 << 24)
    assert arrays.kernel is None and kernel.kernel is not None
    uniforms = np.random.default_rng(3).random((UNITS, len(plan.labels)))
    np.testing.assert_allclose(kernel(uniforms), arrays(uniforms), rtol=1e-9, atol=1e-9)


def test_a_refusal_to_compile_is_kept() -> None:
    """A case that cannot be compiled is recorded once, and refused again with the same reason."""
    made: list[Model] = []

    def make(model: Model) -> None:
        made.append(model)
        raise NotTraceable("a branch")

    cache: TraceCache[None] = TraceCache(make)
    model = model_of(CASES["levels"])
    for _ in range(3):
        with pytest.raises(NotTraceable, match="a branch"):
            cache.of(model)
    assert len(made) == 1
