"""Sentences of results over age: the answer, how sure it is, what helps and what it costs, how to run it again."""

from __future__ import annotations

import shlex
from collections.abc import Sequence

from margin.case import units
from margin.case.again import words_of
from margin.case.service import HOURS_A_DAY, shown
from margin.case.types import Case
from margin.design.acceptance.choice import least_outer
from margin.estimates import numbers
from margin.estimates.yield_result import Yield
from margin.messages.lives import few_failures
from margin.service.ageing import activations_idle, cycles_missing, duty_missing, present
from margin.service.field import Action
from margin.service.life_fits import LifeFit
from margin.service.over_age import YEAR, AgeResult, AtAge
from margin.service.served import Served, has_films, served

SAFETY = (
    "Ageing is counted as the case states it: no wear, overload or misuse that it leaves out. Where a wrong force can "
    "hurt someone or damage goods, check units in service, plan for their failure, and let a licensed engineer and the "
    "codes that hold there decide."
)
SAME_UNITS = (
    "The same units are followed over age, at the same placements and readings (common random numbers): what differs "
    "between two ages is ageing alone. Every reading in use is taken at the age studied, whatever use.age states."
)
IN_THE_FIELD = (
    "Recalibrations in the field have placements and readings of their own, with the reference, climate and times of "
    "[station]; a yield at the age of one is that just before it. Yields are those at the ages studied: add others, "
    "such as those of later recalibrations, by --age. A re-zero keeps the first calibration."
)
FIRST_PASSAGE = (
    "Times to first non-conformity are those of units that conform when new, without any action in the field. They are "
    "known between two ages; units that conform at the last one are counted as censored there."
)
NO_AGEING = (
    "Nothing in this case ages: the yield is that of new units at every age. State ageing, such as "
    "--change sensor.ageing='1 % +/- 0.4 %' (loss per decade of hours; margin endurance finds it from data)."
)
FROZEN = (
    "Gain in yield at each age where one part does not age, on the same draws; such gains need not add up."
)


def time_text(hours: float | None) -> str:
    """A time in service: '342 h', '2.5 years'; None: beyond the last age."""
    if hours is None:
        return "beyond the last age"
    if hours < YEAR:
        return numbers.plain(hours, digits=3) + "\N{NO-BREAK SPACE}h"
    years = numbers.plain(hours / YEAR, digits=3)
    return f"{years}\N{NO-BREAK SPACE}year{'' if years == '1' else 's'}"


def yield_text(found: Yield) -> str:
    """'97.1 % (96.8 to 97.3 %)'."""
    value, low, high = (getattr(found.sampled, name) for name in ("value", "low", "high"))
    return f"{numbers.share_value(value, low, high)} ({numbers.share_interval(low, high)})"


def _target(found: AgeResult) -> str:
    return numbers.percent(found.case.requirement.target)


def headline(found: AgeResult) -> str:
    """The answer in one line."""
    to = time_text(found.horizon)
    if found.verdict == "conforms":
        return f"at least {_target(found)} conform up to {to} in service"
    first = _first(found, "does not conform")
    if first is not None and first.age == 0.0:
        return f"fewer than {_target(found)} of new units conform"
    if first is not None:
        return f"fewer than {_target(found)} conform from {time_text(first.age)} in service on"
    return f"the units drawn do not decide whether {_target(found)} conform up to {to}"


def _first(found: AgeResult, verdict: str) -> AtAge | None:
    return next((each for each in found.ages if each.verdict == verdict), None)


def answer(found: AgeResult) -> tuple[str, ...]:
    """Verdict, yields at both ends, and the recalibration interval."""
    new, old = found.ages[0], found.ages[-1]
    lines = [
        f"{found.verdict.capitalize()}: {headline(found)}.",
        f"New: {yield_text(new.found)} of {_counted(found)} conform; after {time_text(old.age)}: "
        f"{yield_text(old.found)}; at least {_target(found)} are required.",
        recalibration(found),
    ]
    if new.verdict == "does not conform" and found.others:
        there = ", ".join(repr(name) for name in found.others)
        lines.append(
            f"Ageing is not what fails here: choose another calibration of the new units by --option: {there}."
        )
    return tuple(lines)


def _counted(found: AgeResult) -> str:
    return "readings" if found.case.requirement.counts == "readings" else "units"


def recalibration(found: AgeResult) -> str:
    """How long a calibration lasts, with what the interval of the bound makes of it."""
    interval = found.interval
    if interval.shown == 0.0:
        new = found.ages[0].verdict
        if new == "does not conform":
            return "Recalibration interval: none; the yield is below the requirement from the start."
        why = "new units are undecided" if new == "undecided" else "new units alone are shown to conform"
        estimate = "none" if interval.estimated == 0.0 else time_text(interval.estimated)
        return (
            f"Recalibration interval: undecided, from none to {time_text(interval.latest)}, since {why} "
            f"(by the estimate alone {estimate}). Draw more units."
        )
    if interval.shown is None:
        return f"Recalibration interval: none is needed up to {time_text(found.horizon)}."
    return (
        f"Recalibration interval: {time_text(interval.shown)} at most, the last age shown to keep the yield at "
        f"{_target(found)}, of those of the table and some between them (by the estimate "
        f"{time_text(interval.estimated)}; by the upper end of the bound {time_text(interval.latest)})."
    )


def how_sure(found: AgeResult) -> tuple[str, ...]:
    """Units, intervals, epistemic uncertainty."""
    level = numbers.percent(found.case.requirement.confidence)
    lines = [f"Intervals at {level} from {numbers.count(found.units)} simulated units."]
    if found.outer > 1:
        lines.append(
            f"Verdicts and the recalibration interval hold the lower bound over {numbers.count(found.outer)} outer "
            "draws (epistemic uncertainty)."
        )
        lines.append(
            "Fits of times to first non-conformity take units as independent: their intervals leave the epistemic "
            "uncertainty out."
        )
    if found.verdict == "undecided":
        least = least_outer(found.case.requirement.confidence)
        few = 1 < found.outer < least
        outer = f" --change study.outer={4 * least}" if few else ""
        units = max(4 * found.asked, 64 * 4 * least) if few else 4 * found.asked
        lines.append(f"Draw more to decide, such as --units {units}{outer}.")
    return tuple(lines)


def passages(found: AgeResult) -> tuple[str, ...]:
    """Units by the time to their first non-conformity, and the fits with how well they follow."""
    seen = found.passages
    sound = seen.units - seen.new_bad
    lines = [
        f"{numbers.count(seen.new_bad)} of {numbers.count(seen.units)} units do not conform when new; "
        f"{numbers.count(seen.aged_out)} of the other {numbers.count(sound)} fail by {time_text(found.horizon)}."
    ]
    if found.case.requirement.counts == "readings":
        lines.append(
            "The requirement counts readings: a unit fails here at its first reading that does not conform."
        )
    if found.fits.reason:
        return (*lines, f"No distribution of lives is fitted: {found.fits.reason}.")
    few = few_failures(seen.aged_out, "Draw more units")
    return (*lines, *(fit_text(found, fit) for fit in found.fits.fits), *few)


def fit_text(found: AgeResult, fit: LifeFit) -> str:
    """A fit with the life by which one in ten has failed, and its departure from the units."""
    life, (low, high) = fit.life(0.1), fit.interval_of_life(0.1, found.case.requirement.confidence)
    apart = numbers.plain(100.0 * found.fits.departure(fit, found.passages), digits=2)
    early = found.ages[1].age
    beyond = ", an extrapolation" if life > found.horizon else ""
    by = f"before {time_text(early)}"
    if life >= early:
        by = f"by {time_text(life)} ({time_text(low)} to {time_text(high)}{beyond})"
    name = "scale" if fit.shape_name == "Weibull" else "median"
    return (
        f"{fit.shape_name} fit ({name} {time_text(fit.scale)}, shape {numbers.plain(fit.shape)}): 10 % have failed "
        f"{by}; the share failed departs from that of the units by {apart} points at most."
    )


def actions(found: AgeResult) -> tuple[str, ...]:
    """What each action in the field brings, and its cost."""
    lines = []
    for action, field in zip(found.actions, found.fields, strict=True):
        lowest = min(range(len(found.ages)), key=lambda k: field.yields[k].bound.value)
        cost = cost_text(action.times, action.seconds)
        need = found.case.requirement.target
        verdicts = {each.verdict(need) for each in field.yields}
        verdict = next((v for v in ("does not conform", "undecided") if v in verdicts), "conforms")
        lines.append(
            f"{action.name[0].upper()}{action.name[1:]}, {what_text(found, action)}: {verdict}; lowest yield "
            f"{yield_text(field.yields[lowest])} at {time_text(found.ages[lowest].age)}; {cost}."
        )
    return tuple(lines)


def what_text(found: AgeResult, action: Action) -> str:
    """What is done, and how often."""
    return action.what if action.times is None else f"{action.what} every {time_text(found.every)}"


def cost_text(times: int | None, seconds: float) -> str:
    """'4 times 26.1 s a unit: 104 s', or the time before each reading."""
    each = numbers.plain(seconds, "s")
    if times is None:
        return f"{each} before each placement"
    return f"{times} {'time' if times == 1 else 'times'} {each} a unit: {numbers.plain(times * seconds, 's')} in all"


def warnings(found: AgeResult) -> tuple[str, ...]:
    """What is wrong with the case for results over age."""
    lines: tuple[str, ...] = () if found.ageing else (NO_AGEING,)
    case = found.case
    cycles, duty = ("use.cycles_per_hour", "use.duty")
    if case.service is not None:
        cycles, duty = ("cycles_per_day of [service]", "duty of [service]")
    for keys, why in (
        (cycles_missing(case), f"the case states no load cycles; state {cycles}"),
        (duty_missing(case), f"the case states no time under load; state {duty}"),
        (activations_idle(case), "what it belongs to does not age; state that, or leave it out"),
    ):
        if keys:
            lines += (f"{' and '.join(keys)}: no effect, since {why}.",)
    if case.service is not None and case.service.temperatures and not _by_temperature(case):
        lines += (
            "temperatures of [service]: no effect, since nothing in this case ages by temperature; state an activation "
            "energy, such as sensor.ageing_activation = '0.7 eV', or resistor_drift = 'film'.",
        )
    return lines


def _by_temperature(case: Case) -> bool:
    """Whether something ages faster where it is warm."""
    return has_films(case) or any(
        present(quantity) and name.endswith("_activation")
        for spec in case.elements.values()
        for name, quantity in spec.quantities.items()
    )


def profile(found: AgeResult) -> tuple[str, ...]:
    """Which service profile was used, and what a unit has been through by the last age."""
    case = found.case
    if case.service is None:
        head = "no [service] in the case; load cycles, time under load and temperature are those of [use]."
    else:
        head = f"[service] of the case: {'; '.join(_stated(case))}."
    counted = [
        _counted_text(case, each)
        for each in served(case, (found.horizon,))
        if each.what != "hours with storage" or each.value > each.age
    ]
    if not counted:
        return (head,)
    return head, f"A unit with nominal values has by {time_text(found.horizon)}: {'; '.join(counted)}."


def _stated(case: Case) -> list[str]:
    """What the service profile states, in words."""
    service, use = case.service, case.elements["use"].quantities
    assert service is not None
    lines = [] if service.years is None else [time_text(service.years * YEAR)]
    if present(use["cycles_per_hour"]):
        lines.append(f"{numbers.plain(HOURS_A_DAY * use['cycles_per_hour'].nominal)} load cycles a day")
    if service.loads:
        lines.append(f"loads {shown(service.loads, 'N')} of them")
    if service.temperatures:
        lines.append(f"{shown(service.temperatures, 'degC')} of the time")
    elif present(use["cycles_per_hour"]) or service.stored:
        lines.append(f"at {units.show(use['service_temperature'].nominal, 'degC')}")
    if present(use["duty"]):
        lines.append(f"{numbers.percent(use['duty'].nominal)} of the time under load")
    if service.stored:
        at = units.show(service.storage_temperature, "degC")
        lines.append(f"stored {numbers.plain(service.stored, 'h')} at {at} before {service.storage_before}")
    return lines


def _counted_text(case: Case, each: Served) -> str:
    value = numbers.count(round(float(f"{each.value:.4g}")))
    if each.what == "hours with storage":
        return f"{value} h with storage"
    if each.what == "load cycles":
        return f"{value} load cycles"
    if each.what == "load cycles counted by load":
        assert case.service is not None
        return f"they count as {value} to {units.show(case.service.cycle_load, 'N')}"
    if each.what == "hours under load":
        return f"{value} h under load"
    reference = units.show(case.reference_temperature, "degC")
    return f"{value} h at {reference} by {each.by}{_energy(case, each.by)}"


def _energy(case: Case, key: str) -> str:
    role, _, field = key.partition(".")
    quantity = case.elements[role].quantities.get(field)  # type: ignore[index]
    return "" if quantity is None else f" ({units.show(quantity.nominal, quantity.unit)})"


def command_of(
    found: AgeResult,
    start: Sequence[str] = (),
    years: float = 5.0,
    points: int = 9,
    ages: Sequence[float] = (),
) -> str:
    """The command that gives this result again. start: its words up to the case and its changes."""
    words = list(start) or words_of(found.case, "age", seed=True)
    words += ["--option", found.option]
    if ages:
        for age in ages:
            words += ["--age", f"{age:.15g} h"]
    else:
        words += ["--years", f"{years:g}", "--points", str(points)]
    words += ["--every", f"{found.every:.15g} h", "--units", str(found.asked)]
    words += [] if "--seed" in words else ["--seed", str(found.case.study.seed)]
    return shlex.join(words)
