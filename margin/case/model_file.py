"""A fitted model: the file that a bench analysis writes and that a case takes its sensor from.

    [model]       where it comes from: data file and its hash, counts, date, what was assumed
    [sensor]      the sensor as in a case, with spreads from so many units
    [[dependence]] which of them move together

It is read like a case, with faults of its own.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from margin.case import translate
from margin.case.faults import CaseError, Fault, choices
from margin.case.files import tables_of, text_of
from margin.case.fitted_model import IN_MEMORY, FittedModel, ModelTable, State
from margin.case.schema import element_model, kinds_of
from margin.case.tables import DependenceTable

FORMAT = 1
WRITE_ONE = "'margin bench DATA.csv --model FILE.toml' writes one"


def read_model(name: str, path: Path) -> FittedModel:
    """Read a fitted model. Raises CaseError with all its faults."""
    file = str(path)
    tables = tables_of(text_of(path), file)
    if "model" not in tables:
        mend = f"this is no fitted model; {WRITE_ONE}"
        raise CaseError([Fault(file, "model", "", None, "missing", mend)])
    faults = list(_unknown_tables(tables, file))
    about = _checked(ModelTable, tables["model"], "model", file, faults)
    if isinstance(about, ModelTable) and about.format != FORMAT:
        reason = f"is not a layout that is read here (that is {FORMAT})"
        faults.append(Fault(file, "model", "format", about.format, reason, "fit the data again"))
    sensor = tables.get("sensor", {})
    faults.extend(_sensor_faults(sensor, file))
    ties = tables.get("dependence", [])
    if _checked(list[DependenceTable], ties, "dependence", file, faults) is not None:
        faults.extend(_tie_faults(ties, sensor, file))
    if faults:
        raise CaseError(faults)
    data = _state(path.parent / about.data, about.sha256)
    tested = about.endurance
    endurance = None if tested is None else _state(path.parent / tested.data, tested.sha256)
    return FittedModel(name, path, about, sensor, tuple(ties), data, endurance)


def endurance_in(path: Path) -> str | None:
    """Endurance file behind the ageing of a model, as its path from the working directory; None where there is no such
    model, or none with an ageing of that kind."""
    try:
        about = read_model(path.name, path).about
    except CaseError:
        return None
    return None if about.endurance is None else str(path.parent / about.endurance.data)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _state(data: Path, expected: str) -> State:
    if data.name == IN_MEMORY:
        return "in memory"
    try:
        if not data.is_file():  # a pipe or a device would never end
            return "not there"
        return "as fitted" if sha256_of(data) == expected else "changed"
    except OSError:
        return "not there"


def _unknown_tables(tables: Mapping[str, Any], file: str) -> Iterator[Fault]:
    known = ("model", "sensor", "dependence")
    for name, value in tables.items():
        if name not in known:
            yield translate.unknown_table(name, value, known, file)
    if not tables.get("sensor"):
        yield Fault(file, "sensor", "", None, "missing", f"a fitted model states a sensor; {WRITE_ONE}")


def _sensor_faults(sensor: Any, file: str) -> Iterator[Fault]:
    """Faults of the sensor's table; keys that it leaves to the case are none."""
    if not isinstance(sensor, dict):
        yield Fault(file, "", "sensor", sensor, "must be a table", "write [sensor]")
        return
    if not sensor:
        return
    if "from" in sensor:
        reason = "a fitted model takes nothing from a further file"
        yield Fault(file, "sensor", "from", sensor["from"], reason, "write its values out")
        return
    kinds, kind = kinds_of("sensor"), sensor.get("kind")
    if not isinstance(kind, str) or kind not in kinds:
        yield Fault(file, "sensor", "kind", kind, "unknown kind", f"write {choices(kinds)}")
        return
    model = element_model("sensor", kind, kinds[kind])
    try:
        TypeAdapter(model).validate_python(sensor)
    except ValidationError as error:
        yield from translate.faults_of(error, "sensor", sensor, model, file, but=("missing",))


def _tie_faults(ties: list[dict[str, Any]], sensor: Mapping[str, Any], file: str) -> Iterator[Fault]:
    for number, tie in enumerate(ties, 1):
        for name in tie["between"]:
            if name.removeprefix("sensor.") not in sensor or not name.startswith("sensor."):
                known = choices(f"sensor.{key}" for key in sensor if key != "kind")
                reason = f'"{name}" is not a quantity of this model'
                yield Fault(
                    file, f"dependence {number}", "between", tie["between"], reason, f"there are {known}"
                )


def _checked(model: Any, value: Any, table: str, file: str, faults: list[Fault]) -> Any:
    """The checked value, or None with its faults added."""
    try:
        return TypeAdapter(model).validate_python(value)
    except ValidationError as error:
        row = DependenceTable if table == "dependence" else ModelTable
        faults.extend(translate.faults_of(error, table, value, row, file))
        return None
