"""Damaged variants of bench files and files of service, made by a seeded generator, and what becomes of each."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from lab_files import LAB_FILES
from openpyxl import Workbook

from distributions.errors import InvalidArgument
from margin.bench import BenchDataError, NotMeasurableError
from margin.bench_study import characterise
from margin.case.faults import CaseError
from margin.case.load import load_case
from margin.commands.failures import is_of_input
from margin.endurance_study import endurance

Bytes = Callable[[bytes, np.random.Generator], bytes]


@dataclass(frozen=True)
class Outcome:
    """What became of a file: 'read', 'refused', or 'traceback'; with the message."""

    kind: str
    message: str


def base_text(seed: int) -> bytes:
    """A sound bench of three invented sensors, two cycles of five loads up and down, with the bench's own columns."""
    rng = np.random.default_rng(seed)
    lines = ["lot,sensor,mounting,run,branch,time_s,load_N,temperature_degC,conductance_S"]
    for sensor in range(3):
        gain = 1 + 0.08 * rng.standard_normal()
        for run in (1, 2):
            for step, load in enumerate((0, 2, 5, 10, 20, 10, 5, 2, 0)):
                value = gain * 40e-6 * (load / 20) ** 0.85 + 1e-8 + 1e-9 * rng.standard_normal()
                branch = "up" if step < 5 else "down"
                lines.append(f"L,S{sensor},1,{run},{branch},{2 * step},{load},23,{value:.5e}")
    return ("\n".join(lines) + "\n").encode()


def base_sheet(seed: int) -> bytes:
    """The same as a spreadsheet."""
    book = Workbook()
    for number, line in enumerate(base_text(seed).decode().splitlines()):
        cells = line.split(",")
        book.active.append(cells if not number else [*cells[:5], *map(float, cells[5:])])
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _lines(change: Callable[[list[str], np.random.Generator], list[str]]) -> Bytes:
    def changed(data: bytes, rng: np.random.Generator) -> bytes:
        return ("\n".join(change(data.decode().splitlines(), rng)) + "\n").encode()

    return changed


def _cells(change: Callable[[list[list[str]], np.random.Generator], list[list[str]]]) -> Bytes:
    def changed(lines: list[str], rng: np.random.Generator) -> list[str]:
        return [",".join(row) for row in change([line.split(",") for line in lines], rng)]

    return _lines(changed)


def _put(*texts: str, column: int | None = None, share: float = 0.1) -> Bytes:
    """Some cells replaced, in one column or in any."""

    def changed(rows: list[list[str]], rng: np.random.Generator) -> list[list[str]]:
        for row in rows[1:]:
            if rng.random() < share:
                place = int(rng.integers(len(row))) if column is None else column
                row[place] = str(rng.choice(texts))
        return rows

    return _cells(changed)


def _columns(order: Callable[[int, np.random.Generator], list[int]]) -> Bytes:
    def changed(rows: list[list[str]], rng: np.random.Generator) -> list[list[str]]:
        places = order(len(rows[0]), rng)
        return [[row[place] for place in places] for row in rows]

    return _cells(changed)


def _renamed(column: int, *names: str) -> Bytes:
    def changed(rows: list[list[str]], rng: np.random.Generator) -> list[list[str]]:
        rows[0][column] = str(rng.choice(names))
        return rows

    return _cells(changed)


def _flipped(data: bytes, rng: np.random.Generator) -> bytes:
    found = bytearray(data)
    for place in rng.integers(0, len(found), 8):
        found[place] = int(rng.integers(256))
    return bytes(found)


def _inserted(what: bytes) -> Bytes:
    def changed(data: bytes, rng: np.random.Generator) -> bytes:
        place = int(rng.integers(len(data)))
        return data[:place] + what + data[place:]

    return changed


TEXT_DAMAGE: dict[str, Bytes] = {
    "cut short": lambda data, rng: data[: int(rng.integers(1, len(data)))],
    "start missing": lambda data, rng: data[int(rng.integers(1, len(data))) :],
    "empty": lambda data, rng: b"",
    "header alone": _lines(lambda lines, rng: lines[:1]),
    "one row": _lines(lambda lines, rng: [lines[0], lines[int(rng.integers(1, len(lines)))]]),
    "no header": _lines(lambda lines, rng: lines[1:]),
    "lines shuffled": _lines(lambda lines, rng: [lines[place] for place in rng.permutation(len(lines))]),
    "lines repeated": _lines(lambda lines, rng: [lines[0], *(line for line in lines[1:] for _ in range(3))]),
    "columns shuffled": _columns(lambda count, rng: list(rng.permutation(count))),
    "column missing": _columns(lambda count, rng: list(rng.permutation(count)[: count - 1])),
    "column twice": _columns(lambda count, rng: [*range(count), int(rng.integers(count))]),
    "few columns": _columns(lambda count, rng: list(rng.permutation(count)[:3])),
    "text in numbers": _put("abc", "5 N", "n/a", "ca. 3", "<0.1", column=6),
    "text in readings": _put("err", "OL", "-", "1,2,3", "##", column=8),
    "huge numbers": _put("1e300", "-1e308", "99999999999999", "1e999", column=8),
    "huge loads": _put("1e300", "-1e15", "1e999", column=6),
    "NaN and infinity": _put("nan", "inf", "-inf", "NaN", ""),
    "all readings zero": _put("0", column=8, share=1.0),
    "all readings negative": _put("-1e-6", column=8, share=1.0),
    "all loads zero": _put("0", column=6, share=1.0),
    "all loads negative": _put("-5", "-10", column=6, share=1.0),
    "readings empty": _put("", column=8, share=1.0),
    "loads empty": _put("", column=6, share=1.0),
    "labels empty": _put("", column=1, share=0.3),
    "odd directions": _put("sideways", "UP", "auf", column=4),
    "mixed units": _put("5 kg", "2 lbf", "3000 mN", "4 V", column=6, share=0.4),
    "decimal commas": lambda data, rng: data.replace(b".", b","),
    "semicolons and commas": lambda data, rng: data.replace(b",", b";").replace(b".", b","),
    "wrong separator": lambda data, rng: data.replace(b",", rng.choice([b"|", b" ", b":", b"\t"])),
    "separators mixed": _lines(
        lambda lines, rng: [line.replace(",", ";") if rng.random() < 0.3 else line for line in lines]
    ),
    "NUL bytes": _inserted(b"\0\0\0"),
    "bad UTF-8": _inserted(b"\xff\xfe\xc3"),
    "bytes flipped": _flipped,
    "quotes": _inserted(b'"'),
    "quoted line break": _inserted(b'"\n"'),
    "carriage returns": lambda data, rng: data.replace(b"\n", b"\r"),
    "UTF-16": lambda data, rng: data.decode().encode("utf-16"),
    "UTF-16 cut short": lambda data, rng: data.decode().encode("utf-16")[: 2 * int(rng.integers(20, 500)) + 1],
    "load renamed": _renamed(6, "Kraft (kg)", "Last", "x", "F [mm]", ""),
    "output renamed": _renamed(8, "G (uS)", "Signal", "y", "U [furlong]", ""),
    "level renamed": _renamed(2, "set", "Versuch", "test", "sample"),
    "long line": _inserted(b"x" * 200_000),
    "many columns": _lines(lambda lines, rng: [",".join([line] + ["1"] * 3000) for line in lines]),
    "random bytes": lambda data, rng: rng.bytes(500),
    "ragged": _lines(lambda lines, rng: [line + "," * int(rng.integers(0, 3)) for line in lines]),
}  # fmt: skip

SHEET_DAMAGE: dict[str, Bytes] = {
    "spreadsheet whole": lambda data, rng: data,
    "spreadsheet cut short": lambda data, rng: data[: int(rng.integers(4, len(data)))],
    "spreadsheet bytes flipped": _flipped,
    "spreadsheet start only": lambda data, rng: data[:4],
    "spreadsheet is text": lambda data, rng: base_text(1),
    "spreadsheet with bytes between": _inserted(b"\0\xff\0"),
}


def variants(count: int, seed: int) -> Iterator[tuple[str, str, bytes]]:
    """`count` damaged files as (name of the damage, suffix, bytes); each damage in its turn."""
    rng = np.random.default_rng(seed)
    damages = [*((name, ".csv", change) for name, change in TEXT_DAMAGE.items()),
               *((name, ".xlsx", change) for name, change in SHEET_DAMAGE.items())]  # fmt: skip
    bases = {suffix: make(seed) for suffix, make in ((".csv", base_text), (".xlsx", base_sheet))}
    for number in range(count):
        name, suffix, change = damages[number % len(damages)]
        yield name, suffix, change(bases[suffix], rng)


def lab_variants(folder: Path, count: int, seed: int) -> Iterator[tuple[str, str, bytes]]:
    """Laboratory files of other layouts, cut short or with bytes changed."""
    rng = np.random.default_rng(seed)
    files = [lab.write(folder) for lab in LAB_FILES]
    for number in range(count):
        path = files[number % len(files)]
        data = path.read_bytes()
        if (number // len(files)) % 2:
            yield f"{path.name}, bytes flipped", path.suffix, _flipped(data, rng)
        else:
            yield f"{path.name}, cut short", path.suffix, data[: int(rng.integers(1, len(data)))]


_LIVES = "unit,time (h),failed\n" + "".join(f"{k},{40 * k * k},{k % 3 and 1}\n" for k in range(1, 9))
_DRIFT = "unit,time (h),output\n" + "".join(
    f"P{unit},{hours},{40 - unit * k / 5}\n"
    for unit in (1, 2, 3)
    for k, hours in enumerate((0, 10, 100, 1000))
)
_HISTORY = "load (N),time (s),read\n" + "".join(
    f"{(0, 10, 20)[k % 3]},{5 * k},{int(k % 3 > 0)}\n" for k in range(12)
)
SERVICE_FILES = {"lives": _LIVES, "drift": _DRIFT, "history": _HISTORY}
"""Sound files of service by what they hold: lives, a drift of outputs, and the loads of a history."""

SERVICE_DAMAGE: dict[str, Bytes] = {
    **{
        name: TEXT_DAMAGE[name]
        for name in (
            "cut short", "start missing", "empty", "header alone", "one row", "no header", "lines shuffled",
            "lines repeated", "columns shuffled", "column missing", "column twice", "NaN and infinity",
            "decimal commas", "semicolons and commas", "wrong separator", "separators mixed", "NUL bytes", "bad UTF-8",
            "bytes flipped", "quotes", "quoted line break", "carriage returns", "UTF-16", "long line", "many columns",
            "random bytes", "ragged",
        )
    },
    "text in times": _put("abc", "5 h", "n/a", "1,2,3", column=1),
    "huge times": _put("1e300", "-1e308", "1e999", column=1),
    "all times zero": _put("0", column=1, share=1.0),
    "odd third column": _put("1e300", "-1e-6", "maybe", "", column=2, share=0.5),
    "third column zero": _put("0", column=2, share=1.0),
}  # fmt: skip


def service_variants(count: int, seed: int) -> Iterator[tuple[str, str, bytes]]:
    """Damaged files of service, as (what it holds, name of the damage, bytes); each damage in its turn."""
    rng = np.random.default_rng(seed)
    for number in range(count):
        holds = list(SERVICE_FILES)[number % len(SERVICE_FILES)]
        name, change = list(SERVICE_DAMAGE.items())[(number // len(SERVICE_FILES)) % len(SERVICE_DAMAGE)]
        yield holds, name, change(SERVICE_FILES[holds].encode(), rng)


def service_outcome(path: Path, holds: str, printed: bool = True) -> Outcome:
    """Read a file of service as its command does, and print what is found; lives take their time to print."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", RuntimeWarning)
            if holds == "history":
                case = path.with_name("with_history.toml")
                case.write_text(f'{_CASE}[history]\nfile = "{path.name}"\n', encoding="utf-8")
                return Outcome("read", str(load_case(case)))
            found = endurance(path)
            return Outcome("read", str(found) if printed else "")
    except (CaseError, InvalidArgument) as error:
        names = (path.name, "with_history.toml: [history] file")
        clear = any(name in str(error) for name in names) and len(str(error)) < 1000
        return Outcome("refused" if clear else "traceback", f"{type(error).__name__}: {error}")
    except Exception as error:
        return Outcome("traceback", f"{type(error).__name__}: {error}")


_CASE = """
[load]
range = "5 N to 20 N"
[requirement]
permissible_error = "5 % of reading"
[sensor]
kind = "thin film"
sensitivity = "4 uS"
reference_load = "20 N"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "50 kohm"
"""


def outcome(path: Path, condense: bool = False) -> Outcome:
    """Characterise a file as the command does."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", RuntimeWarning)
            found = characterise(path, condense=condense)
            text = str(found)
    except (BenchDataError, NotMeasurableError) as error:
        return Outcome("refused" if str(error).strip() else "traceback", f"{type(error).__name__}: {error}")
    except ValueError as error:
        return Outcome("refused" if is_of_input(error) else "traceback", f"ValueError: {error}")
    except Exception as error:
        return Outcome("traceback", f"{type(error).__name__}: {error}")
    return Outcome("read", text)
