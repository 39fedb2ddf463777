"""A fitted sensor as the file that a case takes its sensor from: TOML with its provenance."""

from __future__ import annotations

import datetime
import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from pathlib import Path

import pandas as pd

from margin.bench.fitted import FittedQuantity, FittedSensor, FittedSpread, Written
from margin.case.bands import band_texts
from margin.case.fitted_model import IN_MEMORY
from margin.case.units import show

FORMAT = 1
SIGMAS = 2.0
"""Spreads are written as limits at two standard deviations."""


def model_text(sensor: FittedSensor, data: Path | pd.DataFrame, folder: Path, written: datetime.date) -> str:
    """Text of the model of `sensor`.

    data     bench file, whose name relative to `folder` and whose hash the model keeps; of a frame the hash of its
             CSV text, as `frame.to_csv(index=False)` gives it
    folder   where the model will lie
    written  date of the fit

    The same arguments give the same text to the byte.
    """
    return "\n".join(_lines(sensor, data, folder, written)) + "\n"


def write_model(
    path: str | Path,
    sensor: FittedSensor,
    data: str | Path | pd.DataFrame,
    written: datetime.date | None = None,
) -> Path:
    """Write the model of `sensor` to `path`, whole or not at all; the path.

    written  date of the fit, None: today
    """
    path = Path(path)
    source = data if isinstance(data, pd.DataFrame) else Path(data)
    text = model_text(sensor, source, path.parent, written or datetime.date.today())
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return path


def _lines(
    sensor: FittedSensor, data: Path | pd.DataFrame, folder: Path, written: datetime.date
) -> Iterator[str]:
    found = sensor.provenance
    yield "# Sensor fitted to bench data by 'margin bench': to change it, change the data or override it in the case."
    yield '# A case takes it in by  [sensor]  from = "this file".  Spreads are normal, limits at two standard'
    yield "# deviations; 'from N units' makes mean and spread uncertain at the level 'common'."
    yield ""
    yield "[model]"
    yield f"format = {FORMAT}"
    if isinstance(data, pd.DataFrame):
        yield f"data = {_text(IN_MEMORY)}  # in memory; the hash is that of its CSV text"
        digest = hashlib.sha256(data.to_csv(index=False, lineterminator="\n").encode("utf-8")).hexdigest()
    else:
        yield f"data = {_text(Path(os.path.relpath(data, folder)).as_posix())}"
        with data.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    yield f"sha256 = {_text(digest)}"
    yield f"written = {written.isoformat()}"
    yield f"circuit = {_text(found.circuit)}"
    yield f"interface = {_text(found.interface)}"
    yield f"temperature = {_text(show(found.temperature, 'degC'))}"
    yield f"dwell = {_text(show(found.dwell, 's'))}"
    yield f"branch = {_text(found.branch)}"
    for name in ("lots", "sensors", "mountings", "cycles", "readings"):
        yield f"{name} = {getattr(found, name)}"
    yield from _list("must_state", sensor.must_state, "what the data cannot show at all")
    yield from _list("assumptions", sensor.assumptions, "what the fit rests on beside the data")
    counted = band_texts(sensor.kind)
    yield from _list(
        "unmeasured", tuple(each.key for each in sensor.unmeasured),
        "effects that the bench did not measure, what to measure, and at what a case counts them that is silent",
        [f"{each.measure}; {counted.get(each.key, '0')}" for each in sensor.unmeasured],
    )  # fmt: skip
    yield ""
    yield "[sensor]"
    yield f"kind = {_text(sensor.kind)}"
    for quantity in sensor.quantities:
        for line in quantity.told:
            yield f"# {line}"
        yield f"{quantity.key} = {_text(quantity_text(quantity))}"
    if sensor.tie is not None:
        tie = sensor.tie
        yield ""
        yield f"# {tie.told}"
        yield "[[dependence]]"
        yield f"between = [{_text(tie.first)}, {_text(tie.second)}]"
        yield 'level = "unit"'
        yield f"rank_correlation = {tie.rank_correlation:.3f}"
        yield f'from = "{tie.units} units"'


def quantity_text(quantity: FittedQuantity) -> str:
    """The quantity as a case states it: '18.4 uS +/- 16 % (2 sigma, from 6 units) per unit'."""
    head = _shown(quantity.nominal, quantity.unit, 4)
    return " ".join([head, ", ".join(_spread_text(spread, quantity) for spread in quantity.spreads)]).strip()


def _spread_text(spread: FittedSpread, quantity: FittedQuantity) -> str:
    limit = _shown(SIGMAS * spread.sd, "%" if quantity.relative else quantity.unit, 3)
    sample = f", from {spread.units} units" if spread.units is not None else ""
    return f"+/- {limit} ({SIGMAS:g} sigma{sample}) per {spread.level}"


def _shown(value: float, unit: Written, digits: int) -> str:
    if unit in ("%", "%/K"):
        return f"{100.0 * value:.{digits}g} {unit}"
    if unit == "mV/V":
        return f"{1000.0 * value:.{digits}g} mV/V"
    return show(value, unit, digits)


def _list(key: str, entries: tuple[str, ...], about: str, beside: Sequence[str] = ()) -> Iterator[str]:
    """A list over several lines; beside: a comment for each entry."""
    if not entries:
        yield f"{key} = []"
        return
    yield f"{key} = [  # {about}"
    for entry, comment in zip_longest(entries, beside):
        yield f"  {_text(entry)}," + ("" if comment is None else f"  # {comment}")
    yield "]"


def _text(value: str) -> str:
    """A TOML basic string: JSON's escapes are among TOML's."""
    return json.dumps(value, ensure_ascii=False)
