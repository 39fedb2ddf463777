"""Reading of the files of the NIST Statistical Reference Datasets, kept as published in data/."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

DATA = Path(__file__).parent / "data"


def table(name: str) -> NDArray[np.float64]:
    """The data columns of a set, (n, 2), in the order of the file."""
    lines = (DATA / f"nist_strd_{name}.dat").read_text().split("Data:")[-1].splitlines()[1:]
    return np.array([[float(field) for field in line.split()] for line in lines if line.split()])


def certified_curve(name: str) -> NDArray[np.float64]:
    """Of a nonlinear set, one row a parameter: start 1, start 2, certified value, standard deviation."""
    text = (DATA / f"nist_strd_{name}.dat").read_text()
    found = re.findall(r"b\d =\s+(\S+)\s+(\S+)\s+(\S+)\s+(\S+)", text)
    return np.array([[float(value) for value in row] for row in found])


def certified_line(name: str, row: str) -> list[float]:
    """Numbers on the line of the certified analysis of variance table that begins with `row`."""
    text = (DATA / f"nist_strd_{name}.dat").read_text()
    line = next(line for line in text.splitlines() if line.startswith(row))
    return [float(value) for value in re.findall(r"[-+]?\d[\d.]*(?:E[-+]\d+)?", line)]


def digits(found: float, certified: float) -> float:
    """Log relative error: how many digits agree."""
    return -float(np.log10(max(abs(found / certified - 1), 1e-16)))
