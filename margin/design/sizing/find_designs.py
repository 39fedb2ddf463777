"""Sizing of a case: millions of designs on the nominal chain, hundreds on the full one, the best with their bound."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from margin.case.types import Case
from margin.design.sizing.corners import corners_of
from margin.design.sizing.design_trials import Trial, compared, leading_option, trial_of
from margin.design.sizing.designs import LEAST_RISK, Design, changes_of, picked
from margin.design.sizing.fronts import coarse, not_dominated
from margin.design.sizing.nominal_screen import Screened, Wanted, screen, smallest_load
from margin.design.sizing.part_table import PartTable, SizingError
from margin.design.sizing.spaces import spaces_of
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Verdict
from margin.propagation.frame import permissible_error
from margin.propagation.model import model_of
from margin.propagation.tally import EvaluationError
from margin.version import version

SHARE = 0.999
"""Share of units that must be read without clipping, where nothing else is wished (common practice, no source)."""

COUNT_OF_PERMISSIBLE = 0.1
"""Of the permissible error at the smallest load, that one count may stand for (common practice, no source)."""

PER_CIRCUIT = 24
"""Designs of a circuit that are tried on the full chain in the middle grade."""

IN_ALL_GRADES = 10
"""Best designs that are tried in every grade of resistor and reference."""

_STEPS = np.array([0.01, 0.5, 0.01, 1e-9])
"""Steps of the objectives within which designs are alike: of resolution and error 1 %, of the risk half a decade."""


@dataclass(frozen=True)
class Ranked:
    """A design of the list: its trial with a lower bound, its verdict, and the changes that make it.

    verdict  that of the yield, made 'does not conform' by an exceeded design check
    """

    design: Design
    trial: Trial
    verdict: Verdict
    changes: dict[str, str]

    @property
    def exceeded(self) -> tuple[str, ...]:
        """Design checks that the drawn units exceed."""
        return tuple(check.name for check in self.trial.checks if check.verdict == "exceeded")


@dataclass(frozen=True)
class Sizing:
    """What a sizing found.

    ranked    designs that are not dominated, the best first
    circuits  best design of each circuit, in the order of `screens`, with its bound; None where none is left
    as_it_is  the case itself with the same calibration option; None where its chain gives no number
    tried     designs on the full chain, each with its trial, as many as were computed
    screens   of each circuit; resolution: N that one count might stand for; share: of units read without clipping
    supply    V, and whether it was stated or taken from the case
    """

    case: Case
    option: str
    ranked: tuple[Ranked, ...]
    circuits: tuple[Ranked | None, ...]
    as_it_is: Trial | None
    tried: tuple[tuple[Design, Trial], ...]
    screens: tuple[Screened, ...]
    parts: PartTable
    resolution: float
    share: float
    supply: float
    supply_stated: bool
    version: str

    @property
    def verdict(self) -> Verdict:
        """That of the best design; without any 'does not conform'."""
        return self.ranked[0].verdict if self.ranked else "does not conform"

    def one_count(self, design: Design) -> float:
        """N that one count stands for at the smallest load; no number for a converter without bits."""
        return design.resolution if self.case.elements["converter"].options["bits"] else math.nan


def size_case(
    case: Case,
    parts: PartTable,
    *,
    option: str | None = None,
    supply: float | None = None,
    share: float = SHARE,
    resolution: float | None = None,
    designs: int = 6,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> Sizing:
    """Size the circuit of a case, and circuits in its place, for the sensors and loads of the case.

    option      calibration with which designs are compared; by default that which comes nearest as the case is
    supply      V, upper end of references; by default the larger of reference and upper swing of the case. Another
                supply moves the upper swing by as much
    share       of units that are read without clipping at smallest and largest load, in all conditions of use
    resolution  N that one count may stand for at the smallest load; by default a tenth of the permissible error there
    designs     most designs that get a lower bound

    Raises SizingError for wishes that no design can be sought with, and where no design meets every constraint.
    """
    _require(case, option, share, resolution, designs)
    chosen = leading_option(case) if option is None else option
    base, stated, swing_high = _supplied(case, supply)
    model = model_of(base)
    load = smallest_load(case)
    wished = COUNT_OF_PERMISSIBLE * float(
        permissible_error(case.requirement, np.array([load or case.load_high]), case.span)[0]
    )
    wanted = Wanted.of(case, wished if resolution is None else resolution, corners_of(model, share))
    spaces = spaces_of(base, parts, stated)
    counting = stage("designs on the nominal chain", sum(space.size for space in spaces))
    screens = tuple(screen(base, model.nominal, space, parts, wanted, counting, workers) for space in spaces)
    if not any(one.number.size for one in screens):
        raise SizingError(_none_left(screens))

    def trials(of: Sequence[Design], title: str, *, bound: bool) -> list[tuple[Design, Trial]]:
        found = compared(
            case, of, chosen, bound=bound, swing_high=swing_high, workers=workers,
            progress=stage(title, len(of)),
        )  # fmt: skip
        return [(design, trial) for design, trial in zip(of, found, strict=True) if trial is not None]

    reference = case.elements["circuit"].quantities["reference"].nominal
    first = [design for one in screens for design in picked(one, parts, PER_CIRCUIT, reference)]
    tried = trials(first, "designs on the full chain", bound=False)
    best = _front(tried, case)[:IN_ALL_GRADES]
    graded = [other for design, _ in best for other in _in_grades(design, parts)]
    tried += trials(graded, "grades of parts on the full chain", bound=False)
    if not tried:
        raise SizingError(
            "no design that meets every constraint gives a number on the full chain of the case"
        )
    front = [design for design, _ in _front(tried, case)[:designs]]
    by_circuit = [_front([t for t in tried if t[0].space is one.space], case)[:1] for one in screens]
    wanted_bounds = dict.fromkeys([*front, *(each[0][0] for each in by_circuit if each)])
    bounds = dict(trials(list(wanted_bounds), "lower bounds", bound=True))
    ranked = {design: _ranked(case, design, trial, swing_high) for design, trial in bounds.items()}
    listed = sorted((ranked[d] for d in front if d in ranked), key=lambda each: _order(each, case))
    try:
        as_it_is = trial_of(case, chosen, bound=True)
    except (EvaluationError, ValueError):
        as_it_is = None
    return Sizing(
        case=case,
        option=chosen,
        ranked=tuple(listed),
        circuits=tuple(ranked.get(each[0][0]) if each else None for each in by_circuit),
        as_it_is=as_it_is,
        tried=tuple(tried),
        screens=screens,
        parts=parts,
        resolution=wanted.resolution,
        share=share,
        supply=stated,
        supply_stated=supply is not None,
        version=version(),
    )


def _require(case: Case, option: str | None, share: float, resolution: float | None, designs: int) -> None:
    if option is not None and option not in (names := [each.name for each in case.calibrations]):
        raise SizingError(f"no calibration option {option!r}; there are {', '.join(map(repr, names))}")
    if not 0.5 <= share < 1.0:
        raise SizingError(
            f"share of units read without clipping: {100.0 * share:g} %; state from 50 % to below 100 %"
        )
    if resolution is not None and not resolution > 0.0:
        raise SizingError(f"resolution: {resolution:g} N; state a load above 0 N, such as 0.05 N")
    if designs < 1:
        raise SizingError(f"designs: {designs}; ask for at least 1")


def _supplied(case: Case, supply: float | None) -> tuple[Case, float, float | None]:
    """The case on a supply, the supply (V), and the upper swing where that moves with it."""
    if supply is not None and not supply > 0.0:
        raise SizingError(f"supply: {supply:g} V; state a voltage above 0 V, such as 3.3 V")
    spec = case.elements["circuit"]
    swing = spec.quantities["swing_high"].nominal if "swing_high" in spec.quantities else 0.0
    own = max(spec.quantities["reference"].nominal, swing)
    if supply is None or swing == 0.0 or supply == own:
        return case, own if supply is None else supply, None
    moved = swing + supply - own
    if moved <= spec.quantities["swing_low"].nominal:
        raise SizingError(
            f"supply: {supply:g} V leaves no output swing, which ends {own - swing:g} V below it; state a higher one"
        )
    high = dataclasses.replace(spec.quantities["swing_high"], nominal=moved)
    circuit = dataclasses.replace(spec, quantities={**spec.quantities, "swing_high": high})
    return dataclasses.replace(case, elements={**case.elements, "circuit": circuit}), supply, moved


def _in_grades(design: Design, parts: PartTable) -> list[Design]:
    """The design in every other grade of resistor and reference."""
    found = []
    for resistor in design.space.grades(design.resistor, parts):
        for reference in parts.reference_grades:
            if (resistor, reference) != (design.resistor_grade, design.reference_grade):
                cost = design.space.cost(design.ratios, design.capacitor, resistor, reference, parts)
                found.append(
                    dataclasses.replace(design, resistor_grade=resistor, reference_grade=reference, cost=cost)
                )
    return found


def _front(tried: Sequence[tuple[Design, Trial]], case: Case) -> list[tuple[Design, Trial]]:
    """Designs that are not dominated in resolution, risk of saturation, error and cost, the best first."""
    if not tried:
        return []
    objectives = np.array(
        [
            (
                np.log(np.clip(design.resolution, 1e-30, 1e30)), np.log10(max(design.risk, LEAST_RISK)),
                np.log(max(trial.error, 1e-9)), design.cost,
            )
            for design, trial in tried
        ]
    )  # fmt: skip
    kept = not_dominated(coarse(objectives, _STEPS))
    found = [one for one, keep in zip(tried, kept, strict=True) if keep]
    return sorted(found, key=lambda one: _preferred(one[0], one[1], case.requirement.target))


def _preferred(design: Design, trial: Trial, target: float) -> tuple[float, ...]:
    """Order before the bounds: by yield up to the required one, then by error, cost and resolution."""
    reached = min(trial.found.sampled.value, target)
    return (-reached, trial.error, design.cost, design.resolution)


def _order(ranked: Ranked, case: Case) -> tuple[float, ...]:
    """Order with the bounds: verdict; those that conform by cost and error, others by lower bound."""
    place = ("conforms", "undecided", "does not conform").index(ranked.verdict)
    if place == 0:
        return (0.0, ranked.design.cost, ranked.trial.error)
    return (float(place), -ranked.trial.found.lower_bound, ranked.trial.error, ranked.design.cost)


def _ranked(case: Case, design: Design, trial: Trial, swing_high: float | None) -> Ranked:
    verdict = trial.found.verdict(case.requirement.target)
    ranked = Ranked(design, trial, verdict, changes_of(case, design, swing_high))
    return dataclasses.replace(ranked, verdict="does not conform") if ranked.exceeded else ranked


def _none_left(screens: Sequence[Screened]) -> str:
    """Which constraints refuse what, circuit by circuit."""
    told = []
    for one in screens:
        worst = sorted(one.refused.items(), key=lambda item: -item[1])[:2]
        shares = ", ".join(f"{name} refuses {100.0 * n / max(one.tried, 1):.3g} %" for name, n in worst if n)
        told.append(f"{one.space.name}: {shares or 'nothing tried'}")
    return (
        f"no design meets every constraint ({'; '.join(told)}); state a lower share of units or a coarser resolution, "
        "or widen the table of parts"
    )
