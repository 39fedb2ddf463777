"""The service profile of a case, `[service]`: load cycles and their loads, temperatures, time under load, storage."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field

from distributions import scaled
from margin.case import units
from margin.case.faults import Fault, ValueFault
from margin.case.grammar import read_text
from margin.case.service_profile import ServiceProfile, Shares
from margin.case.tables import LoadTable, RatedLoad, Table, read_single
from margin.case.types import Quantity

HOURS_A_DAY = 24.0
MOST_YEARS = 100.0
MOST_ENTRIES = 50
"""Loads, or temperatures, of a histogram at most."""

WHOLE = 0.005
"""How far the shares of a histogram may be from 100 % in all: three of 33.3 % are meant to be all."""

QUANTITIES = {"cycles_per_day": "cycles_per_hour", "duty": "duty"}
"""Keys of [service] that are quantities, and the key of [use] that each of them stands for."""

_ENTRY = re.compile(r"(?P<value>.+?)\s+for\s+(?P<share>[^,]+)")
_STORAGE = re.compile(r"(?P<time>.+?)\s+at\s+(?P<temperature>.+)")
_STORAGE_MEND = 'write for example "2000 h at 35 degC"'
_LOAD_MEND = 'write such as "20 N for 70 %": a load and its share of the load cycles'
_TEMPERATURE_MEND = 'write such as "35 degC for 60 %": a temperature and its share of the time'


class ServiceTable(Table):
    """What units go through in service: results over age and readings at an age follow from it."""

    years: float | None = Field(
        default=None, gt=0.0, le=MOST_YEARS, allow_inf_nan=False, description="horizon of results over age"
    )
    loads: list[str] | None = Field(
        default=None,
        min_length=1,
        max_length=MOST_ENTRIES,
        description="loads of the load cycles with their shares of them, such as '20 N for 70 %'",
    )
    cycle_load: RatedLoad | None = Field(
        default=None,
        description="load of the cycles to which effects of load cycles are stated; default: top of the load range",
    )
    temperatures: list[str] | None = Field(
        default=None,
        min_length=1,
        max_length=MOST_ENTRIES,
        description="temperatures with their shares of the time, such as '35 degC for 60 %'",
    )
    storage: str | None = Field(
        default=None, description="time and temperature of storage before the first use, '2000 h at 35 degC'"
    )
    storage_before: Literal["calibration", "use"] | None = Field(
        default=None,
        description="whether units are stored before their calibration, or between it and their use; default: use",
    )


@dataclass(frozen=True)
class ReadService:
    """The profile, what it states of [use] by key, and lines that say how it was read."""

    profile: ServiceProfile
    quantities: Mapping[str, Quantity]
    readings: tuple[str, ...]


def read_service(
    table: ServiceTable, raw: Mapping[str, Any], load: LoadTable, file: str
) -> tuple[ReadService | None, list[Fault]]:
    """The service profile of a case, or None with its faults.

    raw  all tables of the file as written
    """
    faults = [*_twice(table, raw, file), *_idle(table, raw["service"], file)]

    def collected(key: str, read: Callable[[], Any], value: Any) -> Any:
        try:
            return read()
        except ValueFault as fault:
            faults.append(Fault(file, "service", key, value, fault.reason, fault.mend))
            return None

    loads = _histogram("loads", table.loads, _cycle, _LOAD_MEND, file, faults)
    temperatures = _histogram(
        "temperatures", table.temperatures, _temperature, _TEMPERATURE_MEND, file, faults
    )
    storage = None
    if table.storage is not None:
        storage = collected("storage", lambda: _stored(table.storage or ""), table.storage)
    if faults:
        return None, faults
    quantities = {
        of_use: _of_use(key, quantity)
        for key, of_use in QUANTITIES.items()
        if (quantity := getattr(table, key, None)) is not None
    }
    if len(temperatures) == 1:
        quantities["service_temperature"] = Quantity(
            "use.service_temperature", temperatures[0][0], "degC", cause="ageing"
        )
    profile = ServiceProfile(
        years=table.years,
        loads=loads,
        cycle_load=load.range[1] if table.cycle_load is None else table.cycle_load,
        temperatures=temperatures if len(temperatures) > 1 else (),
        stored=0.0 if storage is None else storage[0],
        storage_temperature=25.0 if storage is None else storage[1],
        storage_before=table.storage_before or "use",
    )
    readings = tuple(_lines(profile, quantities, temperatures))
    return ReadService(profile, quantities, readings), []


def _twice(table: ServiceTable, raw: Mapping[str, Any], file: str) -> Iterator[Fault]:
    """Faults of what [use] or a condition of use states beside [service]."""
    # load cycles are those of the profile even where it states none
    taken = {"cycles_per_hour": "cycles_per_day"}
    taken |= {"duty": "duty"} if getattr(table, "duty", None) is not None else {}
    taken |= {"service_temperature": "temperatures"} if table.temperatures is not None else {}
    use = raw.get("use")
    use = use if isinstance(use, dict) else {}
    conditions = use.get("condition")
    places = [("use", use)]
    for number, each in enumerate(conditions if isinstance(conditions, list) else [], 1):
        places.append((f"use.condition {number}", each if isinstance(each, dict) else {}))
    for place, given in places:
        for key, own in taken.items():
            if key in given:
                reason = "the case has a service profile too, [service]"
                mend = f"leave it out and write {own} in [service], or leave [service] out"
                yield Fault(file, place, key, given[key], reason, mend)


def _idle(table: ServiceTable, written: Mapping[str, Any], file: str) -> Iterator[Fault]:
    """Faults of keys without what gives them an effect."""
    needs = {"loads": "cycles_per_day", "cycle_load": "loads", "storage_before": "storage"}
    for key, needed in needs.items():
        if getattr(table, key) is not None and getattr(table, needed, None) is None:
            reason = f"has no effect without {needed}"
            yield Fault(file, "service", key, written.get(key), reason, f"write {needed}, or leave {key} out")
    if not written:
        mend = "write such as years = 5, or leave the table out"
        yield Fault(file, "service", "", None, "the service profile is empty", mend)


def _histogram(
    key: str,
    texts: Sequence[str] | None,
    read: Callable[[str], float],
    mend: str,
    file: str,
    faults: list[Fault],
) -> Shares:
    """(value, share) of each entry, the shares divided by their sum; faults are added to those found."""
    if texts is None:
        return ()
    found: dict[float, float] = {}
    before = len(faults)
    for number, text in enumerate(texts, 1):
        try:
            parts = _ENTRY.fullmatch(text.strip())
            if parts is None:
                raise ValueFault("is no value with its share", mend)
            value, share = read(parts["value"]), _share(parts["share"], mend)
            if value in found:
                raise ValueFault("stands there twice", "add the shares of both")
            found[value] = share
        except ValueFault as fault:
            faults.append(Fault(file, "service", f"{key} {number}", text, fault.reason, fault.mend or mend))
    if len(faults) > before:
        return ()
    total = sum(found.values())
    if abs(total - 1.0) > WHOLE:
        reason = f"the shares sum to {100.0 * total:.4g} %"
        faults.append(Fault(file, "service", key, list(texts), reason, "write shares that sum to 100 %"))
        return ()
    return tuple((value, share / total) for value, share in found.items())


def _share(text: str, mend: str) -> float:
    written = read_text(text)
    if written.nominal is None or written.spreads or written.nominal.unit not in ("", "%"):
        raise ValueFault("has no share", mend)
    share = float(written.nominal.value) / (100.0 if written.nominal.unit else 1.0)
    if not 0.0 < share <= 1.0 + WHOLE:
        raise ValueFault("its share must lie above 0 % and up to 100 %", mend)
    return share


def _cycle(text: str) -> float:
    load = read_single(text, "N")
    if not load > 0.0:
        raise ValueFault("a load cycle reaches a load above 0 N", _LOAD_MEND)
    return load


def _temperature(text: str) -> float:
    found = read_single(text, "degC")
    if not found > -273.15:
        raise ValueFault("lies below absolute zero, -273.15 degC", _TEMPERATURE_MEND)
    return found


def _stored(text: str) -> tuple[float, float]:
    """h and degC of a storage."""
    parts = _STORAGE.fullmatch(text.strip())
    if parts is None:
        raise ValueFault("is no time at a temperature", _STORAGE_MEND)
    hours = read_single(parts["time"], "h")
    if not hours > 0.0:
        raise ValueFault("a storage lasts longer than 0 h", _STORAGE_MEND)
    return hours, _temperature(parts["temperature"])


def _of_use(key: str, quantity: Quantity) -> Quantity:
    """The quantity of [use] that one of [service] stands for."""
    if key != "cycles_per_day":
        return quantity
    spreads = tuple(
        each
        if each.relative
        else dataclasses.replace(each, distribution=scaled(each.distribution, 1.0 / HOURS_A_DAY))
        for each in quantity.spreads
    )
    return dataclasses.replace(quantity, nominal=quantity.nominal / HOURS_A_DAY, spreads=spreads)


def _lines(
    profile: ServiceProfile, quantities: Mapping[str, Quantity], temperatures: Shares
) -> Iterator[str]:
    """How the profile was read, for the report."""
    if "cycles_per_hour" in quantities:
        hourly = quantities["cycles_per_hour"].nominal
        yield (
            f"service.cycles_per_day: {hourly * HOURS_A_DAY:.6g} load cycles, use.cycles_per_hour = {hourly:.6g}"
        )
    if profile.loads:
        at = units.show(profile.cycle_load, "N")
        yield (
            f"service.loads: {shown(profile.loads, 'N')}; each load cycle counts as (load / {at}) to the power of "
            "use.cycle_load_exponent"
        )
    if temperatures:
        yield f"service.temperatures: {shown(temperatures, 'degC')}; the rates of ageing at them are averaged"
    if profile.stored:
        at = units.show(profile.storage_temperature, "degC")
        yield (
            f"service.storage: {units.show(profile.stored, 'h')} at {at} before {profile.storage_before}; parts age in "
            "it as in service, without load cycles"
        )


def shown(histogram: Shares, unit: str) -> str:
    """'20 N for 70 %, 60 N for 30 %'."""
    return ", ".join(f"{units.show(value, unit)} for {100.0 * share:.4g} %" for value, share in histogram)
