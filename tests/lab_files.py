"""Invented laboratory files of one population of pads for a fruit-picking gripper, each laid out in another way.

Every number is made up by a seeded generator and stands for no real part.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from openpyxl import Workbook

SENSORS, CYCLES = 6, 3
LOADS = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0)
REFERENCE, TEMPERATURE = 20.0, 23.0
SENSITIVITY, EXPONENT, OFFSET = 40e-6, 0.85, 0.01e-6
"""Conductance at 20 N, S; exponent; conductance without load, S."""
UNIT, UNIT_EXPONENT, REMOUNT, RELOAD, HYSTERESIS = 0.08, 0.015, 0.02, 0.015, 0.04
"""Relative standard deviations between sensors, mountings and loadings (of the exponent between sensors), and the
relative excess at half load going down."""
FEEDBACK = 56e3
"""ohm, of an inverting amplifier driven by 1 V."""
GRAVITY = 9.80665
POUND_FORCE = 4.4482216152605
"""N, NIST SP 811, appendix B.8 (from memory)."""


@dataclass(frozen=True)
class Reading:
    """One reading: who, when, at which load (N), conductance (S)."""

    sensor: int
    mounting: int
    cycle: int
    branch: str
    seconds: float
    load: float
    conductance: float


def readings(seed: int, mountings: int = 3) -> list[Reading]:
    """Readings of six pads in the order they were taken."""
    rng = np.random.default_rng(seed)
    found = []
    for sensor in range(1, SENSORS + 1):
        unit = np.exp(UNIT * rng.standard_normal())
        exponent = EXPONENT + UNIT_EXPONENT * rng.standard_normal()
        for mounting in range(1, mountings + 1):
            mounted = unit * np.exp(REMOUNT * rng.standard_normal())
            for cycle in range(1, CYCLES + 1):
                gain, seconds = mounted * np.exp(RELOAD * rng.standard_normal()), 0.0
                for branch, loads in (("up", LOADS), ("down", LOADS[-2::-1])):
                    for load in loads:
                        share, seconds = load / LOADS[-1], seconds + 6.0
                        loop = 1 + HYSTERESIS * 4 * share * (1 - share) * (branch == "down")
                        value = gain * loop * SENSITIVITY * (load / REFERENCE) ** exponent + OFFSET
                        value += 2e-10 * rng.standard_normal()
                        found.append(
                            Reading(sensor, mounting, cycle, branch, seconds, load, max(value, 1e-9))
                        )
    return found


def german_export(folder: Path) -> Path:
    """Semicolons, decimal commas, cp1252, a preamble; kilograms, kiloohms, minutes."""
    lines = ["Prüfstand 3;;;;;;;", "Invented data (erfunden);;;;;;;", ""]
    lines.append("Prüfling;Einbau;Lauf;Richtung;Zeit (min);Kraft (kg);Widerstand (kohm);Temperatur (°C)")
    for r in readings(11):
        numbers = (r.seconds / 60, r.load / GRAVITY, 1e-3 / r.conductance, TEMPERATURE)
        cells = [f"{number:.7g}".replace(".", ",") for number in numbers]
        way = "auf" if r.branch == "up" else "ab"
        lines.append(";".join([f"P{r.sensor}", str(r.mounting), str(r.cycle), way, *cells]))
    path = folder / "pruefstand.csv"
    path.write_bytes("\r\n".join(lines).encode("cp1252"))
    return path


def load_columns(folder: Path) -> Path:
    """A spreadsheet with one column a load, up and down again, and a second sheet of remarks."""
    book = Workbook()
    sheet = book.active
    sheet.title = "Readings"
    sheet.append(["Invented data: conductance in microsiemens"])
    sheet.append(["Pad", "Mounting", "Cycle", *(f"{load:g} N" for load in (*LOADS, *LOADS[-2::-1]))])
    for (sensor, mounting, cycle), cells in rows_of(readings(12)).items():
        sheet.append([f"A{sensor}", mounting, cycle, *(round(1e6 * r.conductance, 5) for r in cells)])
    notes = book.create_sheet("Remarks")
    notes.append(["Invented"])
    notes.append(["Pads of the gripper's left finger"])
    path = folder / "pads.xlsx"
    book.save(path)
    return path


def sensor_columns(folder: Path) -> Path:
    """Tabs, UTF-16, one column a sensor in millivolts of an amplifier; pounds-force, degrees Fahrenheit."""
    by_place: dict[tuple[int, float], list[Reading]] = {}
    for r in readings(13, mountings=1):
        by_place.setdefault((r.cycle, r.seconds), []).append(r)
    names = "\t".join(f"Pad {sensor} (mV)" for sensor in range(1, SENSORS + 1))
    lines = ["# Invented data", f"Cycle\tt / s\tReference (lbf)\tT (degF)\t{names}"]
    for (cycle, seconds), cells in by_place.items():
        volts = "\t".join(f"{1e3 * FEEDBACK * r.conductance:.4f}" for r in cells)
        load = cells[0].load / POUND_FORCE
        lines.append(f"{cycle}\t{seconds:g}\t{load:.6f}\t{TEMPERATURE * 9 / 5 + 32:g}\t{volts}")
    path = folder / "log.txt"
    path.write_bytes("\n".join(lines).encode("utf-16"))
    circuit = '[amplifier]\nkind = "inverting amplifier"\nreference = "1 V"\nfeedback = "56 kohm"\n'
    (folder / "log.circuits.toml").write_text(circuit, encoding="utf-8")
    return path


def unclear_words(folder: Path) -> Path:
    """Commas, UTF-8 with its mark; 'sample', 'set' and 'trial' say nothing of what was remounted; grams."""
    lines = ["sample,set,trial,weight_g,direction,G [nS],remark"]
    for r in readings(14):
        numbers = f"{1e3 * r.load / GRAVITY:.5g},{r.branch},{1e9 * r.conductance:.2f}"
        lines.append(f"{r.sensor},{r.mounting},{r.cycle},{numbers},invented")
    path = folder / "trials.csv"
    path.write_bytes(("\n".join(lines) + "\n").encode("utf-8-sig"))
    return path


def branch_columns(folder: Path) -> Path:
    """A line of units below the header, one column a direction; millinewtons, microsiemens."""
    lines = ["Pad;Montage;Zyklus;Last;auf;ab;Temp", ";;;mN;uS;uS;K"]
    for (sensor, mounting, cycle), cells in rows_of(readings(15)).items():
        up = {r.load: r.conductance for r in cells if r.branch == "up"}
        down = {r.load: r.conductance for r in cells if r.branch == "down"}
        for load, value in up.items():
            back = f"{1e6 * down[load]:.5f}" if load in down else ""
            row = f"{sensor};{mounting};{cycle};{1e3 * load:g};{1e6 * value:.5f};{back};{TEMPERATURE + 273.15:.2f}"
            lines.append(row.replace(".", ","))
    path = folder / "richtungen.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def rows_of(found: list[Reading]) -> dict[tuple[int, int, int], list[Reading]]:
    """Readings by sensor, mounting and cycle."""
    rows: dict[tuple[int, int, int], list[Reading]] = {}
    for r in found:
        rows.setdefault((r.sensor, r.mounting, r.cycle), []).append(r)
    return rows


@dataclass(frozen=True)
class LabFile:
    """A layout: what writes it, what must be stated of it on the command line, mountings of each pad."""

    name: str
    write: Callable[[Path], Path]
    stated: tuple[str, ...]
    mountings: int = 3


LAB_FILES = (
    LabFile("german export", german_export, ()),
    LabFile("load columns", load_columns, ("--output-unit", "uS", "--column", "temperature== 23 degC")),
    LabFile("sensor columns", sensor_columns, (), 1),
    LabFile(
        "unclear words",
        unclear_words,
        ("--column", "sensor=sample", "--column", "mounting=set", "--column", "run=trial", "--column",
         "temperature== 23 degC"),
    ),
    LabFile("branch columns", branch_columns, ()),
)  # fmt: skip

CASE = """
[case]
name = "Gripper pad, laboratory file"
data = "invented"
reference_temperature = "23 degC"
[load]
range = "5 N to 20 N"
[requirement]
permissible_error = "larger of 15 % of reading and 1 N"
yield = "90 %"
[sensor]
kind = "thin film"
from = "pad.toml"
sensitivity = "+/- 0 % per lot"
[circuit]
kind = "inverting amplifier"
reference = "3.0 V +/- 0.5 %"
drive_ratio = 0.3
bias_ratio = 0.3
feedback = "27 kohm +/- 1 %"
swing_high = "2.95 V"
[converter]
bits = 12
reference = "ratiometric"
[[calibration]]
name = "one point"
kind = "one-point"
loads = ["12 N"]
[study]
units = 2000
seed = 1
"""
"""A case that takes in the model fitted to any of the files as pad.toml."""
