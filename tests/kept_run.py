"""A small study whose chunks are kept in a folder, and what lies there."""

from __future__ import annotations

from pathlib import Path

from pad_study import NONE, ONE_POINT, pad_case

from margin.case import Case
from margin.propagation.partial import unpacked


def chunk_files(folder: Path) -> list[Path]:
    return sorted((folder / "chunks").glob("*.chunk"))


def units_in(files: list[Path]) -> int:
    return sum(unpacked(file.read_bytes())[0].block.count for file in files)


def small(**study: object) -> Case:
    sensor = {"sensitivity": "4 uS +/- 6 %", "reload_scatter": "1 %"}
    return pad_case(NONE, ONE_POINT, sensor=sensor, load={"check": 2}, study={"units": 60, **study})
