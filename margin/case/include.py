"""A case whose sensor is taken from a fitted model: what the case writes itself goes before the model.

    [sensor]
    kind = "thin film"
    from = "pad_fit.toml"                              # relative to the case file
    sensitivity = "+/- 8 % (2 sigma) per lot"          # a tolerance alone: added to the model's value and spreads
    creep = "3 %"                                      # a value: replaces all that the model says of it

A tolerance alone replaces the model's spread of its own level, and "+/- 0 % per lot" states that there is none.
What the data could not show at all must be stated.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from margin.case import units
from margin.case.datasheet import WRITTEN, take_figure
from margin.case.faults import CaseError, Fault, ValueFault
from margin.case.files import file_beside
from margin.case.fitted_model import FittedModel
from margin.case.grammar import WrittenQuantity, WrittenSpread, read_text
from margin.case.model_file import read_model
from margin.case.schema import kinds_of
from margin.case.tables import CaseTable, read_single
from margin.case.types import Quantity, Spread
from margin.case.units import plain
from margin.chain.parameter import parameters_of

SAME_TEMPERATURE = 2.0
"""degC by which the case's reference may differ from the temperature of the bench."""


@dataclass(frozen=True)
class Included:
    """The tables of a case with its fitted model filled in.

    tables    as if the case had written everything itself
    model     the model, None where the case has none
    faults    what stands in the way; the sensor then cannot be read
    measured  (quantity, level) of the spreads that are the model's own
    denied    'sensor.sensitivity per lot' of each spread of which the case says that there is none
    """

    tables: dict[str, Any]
    model: FittedModel | None = None
    faults: tuple[Fault, ...] = ()
    measured: frozenset[tuple[str, str]] = field(default_factory=frozenset)
    denied: tuple[str, ...] = ()

    def source_of(self, name: str, quantity: Quantity, spread: Spread) -> str | None:
        """Name of the model where a spread is the model's own."""
        own = name == quantity.name and (name, spread.level) in self.measured
        return self.model.name if own and self.model is not None else None

    @property
    def unmeasured(self) -> tuple[str, ...]:
        """Effects that the bench did not measure and the case does not state, by table and key."""
        if self.model is None:
            return ()
        keys = (key if "." in key else f"sensor.{key}" for key in self.model.unmeasured)
        return tuple(key for key in keys if not self._states(*key.split(".", 1)))

    def _states(self, table: str, key: str) -> bool:
        given = self.tables.get(table, {})
        return isinstance(given, dict) and key in given

    @property
    def readings(self) -> tuple[str, ...]:
        """Where the model comes from."""
        if self.model is None:
            return ()
        told = (self.model.origin, self.model.origin_of_ageing if self._ages else None)
        return tuple(each for each in told if each is not None)

    @property
    def _ages(self) -> bool:
        """Whether the ageing is the model's own."""
        own = {} if self.model is None else self.model.sensor
        return "ageing" in own and self.tables["sensor"].get("ageing") == own["ageing"]

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is wrong with the model's data."""
        return () if self.model is None else self.model.warnings

    @property
    def assumed(self) -> tuple[str, ...]:
        """What the case denies, then what the model rests on."""
        told = [f"{each}: none (stated, not measured)" for each in self.denied]
        if self.model is not None:
            ageing = self.model.assumed_of_ageing if self._ages else None
            assumptions = [*self.model.about.assumptions, *([] if ageing is None else [ageing])]
            told += [f"{self.model.name}: {each}" for each in assumptions]
        return tuple(told)


def include(raw: dict[str, Any], path: Path | None, file: str, known: FittedModel | None) -> Included:
    """Fill the model that `[sensor] from` names into the tables of a case.

    known  the model as read before, which is taken where the case still names it: a changed case does not go
           back to the file
    """
    sensor = raw.get("sensor")
    if not isinstance(sensor, dict) or "from" not in sensor:
        return Included(raw)
    name = sensor["from"]
    try:
        model = known if known is not None and known.name == name else _read(name, path, file)
    except CaseError as error:
        return Included(raw, faults=error.faults)
    kind = sensor.get("kind", model.sensor["kind"])
    if kind != model.sensor["kind"]:
        reason = f'is not the kind of {model.name}, which was fitted as "{model.sensor["kind"]}"'
        mend = f'write kind = "{model.sensor["kind"]}", or leave "from" out'
        return Included(raw, model, (Fault(file, "sensor", "kind", kind, reason, mend),))
    filled = _Filled(model, file)
    filled.climate(raw.get("case", {}))
    table = filled.sensor({key: value for key, value in sensor.items() if key != "from"})
    tables = {**raw, "sensor": table}
    ties = raw.get("dependence", [])
    if isinstance(ties, list) and all(isinstance(tie, dict) for tie in ties):
        tables["dependence"] = [*ties, *filled.ties(ties, table)]
    return Included(tables, model, tuple(filled.faults), frozenset(filled.measured), tuple(filled.denied))


def _read(name: Any, path: Path | None, file: str) -> FittedModel:
    mend = 'write the file of the model, such as from = "pad_fit.toml"'
    if not isinstance(name, str) or not name.strip() or "\0" in name:
        reason = "must be the name of a fitted model"
        raise CaseError([Fault(file, "sensor", "from", name, reason, mend)])
    if path is not None and (path.parent / name).resolve() == path.resolve():
        raise CaseError([Fault(file, "sensor", "from", name, "is this case itself", mend)])
    return read_model(name, file_beside(path, name, file=file, table="sensor", key="from"))


@dataclass
class _Filled:
    """Fills one model into one case."""

    model: FittedModel
    file: str
    faults: list[Fault] = field(default_factory=list)
    measured: set[tuple[str, str]] = field(default_factory=set)
    denied: list[str] = field(default_factory=list)

    def climate(self, about: Any) -> None:
        """The case's reference temperature must be that of the model, whose values would be shifted else."""
        written = about.get("reference_temperature") if isinstance(about, dict) else None
        try:
            stated = CaseTable().reference_temperature if written is None else read_single(written, "degC")
        except ValueFault:
            return
        if abs(stated - self.model.about.temperature) > SAME_TEMPERATURE:
            held = units.show(self.model.about.temperature, "degC")
            shown = units.show(stated, "degC") if written is None else written
            reason = f"{self.model.name} was measured at {held}"
            mend = f'write reference_temperature = "{held}"'
            self.faults.append(Fault(self.file, "case", "reference_temperature", shown, reason, mend))

    def sensor(self, written: dict[str, Any]) -> dict[str, Any]:
        """The table [sensor] of the model with what the case writes of it."""
        table = copy.deepcopy(self.model.sensor)
        stated: set[str] = set()
        for key, value in written.items():
            plain_text, figure = self.figure(key, value)
            alone = _tolerance(plain_text)
            if alone is not None and key in table:
                if isinstance(table[key], str) and not figure:
                    table[key] = self.added(key, table[key], alone, stated)
                    continue
                mend = "write the whole quantity"
                reason = "is a tolerance alone, which the model's value has no room for"
                self.faults.append(Fault(self.file, "sensor", key, value, reason, mend))
                continue
            table[key] = value
            # whoever writes a quantity anew answers for all of its spreads
            stated |= {missing for missing in self.model.about.must_state if missing.split(" ")[0] == key}
        for key, value in self.model.sensor.items():
            if key not in written:
                self.measured |= {(f"sensor.{key}", level) for level in self.levels(key, value)}
        for missing in self.model.about.must_state:
            if missing not in stated:
                self.faults.append(self.not_stated(missing))
        return table

    def added(self, key: str, own: str, alone: WrittenQuantity, stated: set[str]) -> str:
        """The model's text with spreads of the case in place of those of their level."""
        own = plain(own)
        spreads = read_text(own).spreads
        head = own[: own.index(spreads[0].text)].rstrip(", ") if spreads else own
        levels = {self.level(key, spread) for spread in alone.spreads}
        kept = [spread for spread in spreads if self.level(key, spread) not in levels]
        self.measured |= {(f"sensor.{key}", self.level(key, spread)) for spread in kept}
        stated |= {f"{key} per {level}" for level in levels}
        wide = [s for s in alone.spreads if s.minus.value or s.plus.value]
        self.denied += [f"sensor.{key} per {self.level(key, s)}" for s in alone.spreads if s not in wide]
        return ", ".join([f"{head} {kept[0].text}" if kept else head, *(s.text for s in [*kept[1:], *wide])])

    def not_stated(self, missing: str) -> Fault:
        key, _, level = missing.partition(" per ")
        reason = f"{self.model.name} contains no spread per {level}: the data do not show it"
        mend = f'state it, such as {key} = "+/- 8 % (2 sigma) per {level}", or "+/- 0 % per {level}" for none'
        return Fault(self.file, "sensor", key, None, reason, mend)

    def ties(self, written: Iterable[dict[str, Any]], table: dict[str, Any]) -> list[dict[str, Any]]:
        """Ties of the model that still hold; without their sample where the case states another spread."""
        taken = {_pair(tie) for tie in written}
        found: list[dict[str, Any]] = []
        for tie in self.model.dependences:
            level, names = tie.get("level", "unit"), tie["between"]
            keys = [name.removeprefix("sensor.") for name in names]
            if _pair(tie) in taken or any(level not in self.levels(key, table[key]) for key in keys):
                continue
            whole = all((name, level) in self.measured for name in names)
            found.append(dict(tie) if whole else {key: v for key, v in tie.items() if key != "from"})
        return found

    def figure(self, key: str, value: Any) -> tuple[Any, bool]:
        """The text of a quantity without what makes it a datasheet figure, and whether it is one."""
        declared = parameters_of(kinds_of("sensor")[self.model.sensor["kind"]]).get(key)
        if declared is None or declared.figure not in WRITTEN or not isinstance(value, str):
            return value, False
        try:
            text, found = take_figure(value, declared.figure)
        except ValueFault:
            return value, False
        return text, found is not None

    def levels(self, key: str, value: Any) -> set[str]:
        """Levels at which a quantity of the sensor varies, as written; none where it cannot be read."""
        if isinstance(value, dict):
            if "tolerance" in value:
                return self.levels(key, value["tolerance"])
            entries = value.get("spread", [])
            return {
                str(each.get("level", self.level(key, None))) for each in entries if isinstance(each, dict)
            }
        try:
            spreads = read_text(value).spreads if isinstance(value, str) else ()
        except ValueFault:
            return set()
        return {self.level(key, spread) for spread in spreads}

    def level(self, key: str, spread: WrittenSpread | None) -> str:
        declared = parameters_of(kinds_of("sensor")[self.model.sensor["kind"]]).get(key)
        default = declared.level if declared is not None else "unit"
        return default if spread is None or spread.level is None else spread.level


def _tolerance(value: Any) -> WrittenQuantity | None:
    """A text that has deviations and no value, taken apart; None for anything else."""
    if not isinstance(value, str):
        return None
    try:
        found = read_text(value)
    except ValueFault:
        return None
    return found if found.nominal is None and found.ends is None and found.spreads else None


def _pair(tie: dict[str, Any]) -> tuple[str, ...]:
    between = tie.get("between", [])
    return (*sorted(map(str, between if isinstance(between, list) else [])), str(tie.get("level", "unit")))
