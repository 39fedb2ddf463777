"""The loss of output of endurance data as part of a fitted model, which a case then reads as `sensor.ageing`.

The file keeps what it has of the bench, its comments included:

    [model.endurance]   where the ageing comes from: data file and its hash, counts, date
    [sensor]            ageing = "1.2 % +/- 0.4 % (2 sigma, from 8 units) per unit"
"""

from __future__ import annotations

import datetime
import json
import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from margin.bench.model_file import quantity_text
from margin.case.faults import CaseError, Fault
from margin.case.files import text_of
from margin.case.model_file import read_model, sha256_of
from margin.case.schema import kinds_of
from margin.chain.parameter import parameters_of
from margin.service.endurance import Drift

KEY = "ageing"
_HEADER = re.compile(r"\s*\[")
_SENSOR = re.compile(r"\s*\[\s*sensor\s*\]\s*(#.*)?")
_OWN = re.compile(r"\s*\[\s*model\s*\.\s*endurance\s*\]\s*(#.*)?")
_LINE = re.compile(rf"\s*{KEY}\s*=")
_TOLD = f"# {KEY}, "
_UNMEASURED = re.compile(rf'\s*"{KEY}",\s*(#.*)?')


def into_model(path: Path, found: Drift, data: Path, written: datetime.date | None = None) -> Path:
    """Write the rate of a drift into the fitted model at `path`, whole or not at all; the path.

    data     the endurance file; its name relative to the model and its hash are kept
    written  date of the fit, None: today

    CaseError for a file that is no fitted model, whose sensor does not age by this key, or whose ageing was stated by
    someone else.
    """
    file, text = str(path), text_of(path)
    model = read_model(path.name, path)
    kind = str(model.sensor["kind"])
    if KEY not in parameters_of(kinds_of("sensor")[kind]):
        reason = f"a sensor of kind {kind!r} has no key for a loss of output over its age"
        raise CaseError([Fault(file, "sensor", KEY, None, reason, "take a model of another kind")])
    if KEY in model.sensor and model.about.endurance is None:
        reason = "is stated already, and not from endurance data"
        raise CaseError([Fault(file, "sensor", KEY, model.sensor[KEY], reason, "take that line out first")])
    about = {
        "data": Path(os.path.relpath(data, path.parent)).as_posix(),
        "sha256": sha256_of(data),
        "written": written or datetime.date.today(),
        "units": len(found.unit),
        "readings": found.readings,
        "hours": float(f"{found.ended.max():.6g}"),
    }
    changed = "\n".join(_lines(text.splitlines(), found, about)) + "\n"
    _require(file, text, changed, found, about)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_text(changed, encoding="utf-8", newline="\n")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return path


def _lines(lines: list[str], found: Drift, about: dict[str, Any]) -> Iterator[str]:
    """Lines of the model with the ageing in place of an earlier one."""
    table = ""
    for line in lines:
        if _HEADER.match(line):
            table = "own" if _OWN.fullmatch(line) else "sensor" if _SENSOR.fullmatch(line) else "other"
        if table == "own" or (table == "sensor" and (_LINE.match(line) or line.startswith(_TOLD))):
            continue
        if _UNMEASURED.fullmatch(line):
            continue
        if _SENSOR.fullmatch(line):
            yield "[model.endurance]"
            yield from (f"{key} = {_value(value)}" for key, value in about.items())
            yield ""
        yield line
        if table == "sensor" and line.lstrip().startswith("kind"):
            yield from (f"{_TOLD}{told}" for told in found.quantity.told)
            yield found.case_text


def _value(value: Any) -> str:
    if isinstance(value, datetime.date):
        return value.isoformat()
    return json.dumps(value, ensure_ascii=False)


def _require(file: str, before: str, after: str, found: Drift, about: dict[str, Any]) -> None:
    """CaseError unless the ageing and where it comes from are all that has changed."""
    wanted = tomllib.loads(before)
    wanted["model"]["endurance"] = about
    unmeasured = wanted["model"].get("unmeasured", [])
    if KEY in unmeasured:
        unmeasured.remove(KEY)
    wanted["sensor"][KEY] = quantity_text(found.quantity)
    try:
        sound = tomllib.loads(after) == wanted
    except tomllib.TOMLDecodeError:
        sound = False
    if not sound:
        reason = "is not laid out as 'margin bench --model' writes it: nothing was changed"
        mend = f"write the model again, or put {found.case_text} into its [sensor]"
        raise CaseError([Fault(file, "", "", None, reason, mend)])
