"""What becomes of a thousand cases with something wrong, or extreme, in them.

Each is a shipped case (thinned, so that it is quick), that of the guide, a small one of another kind, or a drafted one
that states every key and table which its kinds have, with one to three mutations. It is read and, where it can be,
estimated with few units: it runs, or it is refused with one clear message; never a traceback, nothing endless, no
warning of numpy on the way.

    PYTHONPATH=. python tests/benchmarks/mutated_cases.py --count 1000 --table tests/benchmarks/mutated_cases.md
"""

from __future__ import annotations

import argparse
import collections
import copy
import functools
import math
import random
import re
import signal
import sys
import threading
import tomllib
import traceback
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from margin.case.changes import with_changes
from margin.case.faults import CaseError
from margin.case.load import load_case, read_case
from margin.commands.failures import is_of_input
from margin.drafted_case import draft
from margin.propagation.tally import EvaluationError
from margin.study import estimate

ROOT = Path(__file__).parents[2]
LIMIT = 60
"""Seconds for one case."""

OUTCOMES = (
    "runs", "refused when read", "evaluation refused", "refused by the study", "traceback", "time-out",
    "warning leaked", "unclear message",
)  # fmt: skip
BAD = OUTCOMES[4:]

_BRIDGE = """
[load]
range = "0 N to 200 N"
check = 3
[requirement]
permissible_error = "2 % of span"
[sensor]
kind = "strain-gauge bridge"
rated_output = "2 mV/V +/- 1 %"
rated_load = "200 N"
[circuit]
kind = "bridge amplifier"
reference = "2.5 V"
internal_resistor = "50 kohm"
gain_resistor = "100 ohm +/- 0.1 %"
"""

_TABLE = """
[load]
range = "1 N to 50 N"
check = 3
[requirement]
permissible_error = "larger of 5 % of reading and 1 N"
[sensor]
kind = "tabulated"
loads = ["0 N", "10 N", "50 N"]
outputs = ["1 uS", "10 uS", "40 uS"]
gain = "1 +/- 5 %"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "40 kohm +/- 1 %"
"""

_HISTORY = """
[load]
range = "0 N to 60 N"
[history]
steps = ["0 N for 2 s", "20 N for 1 s, read", "60 N for 30 s", "5 N for 500 ms, read", "0 N for 1 min"]
repeat = 2
recovery = "8 s"
[requirement]
permissible_error = "larger of 8 % of reading and 1 N"
counts = "readings"
[sensor]
kind = "thin film"
sensitivity = "4 uS +/- 5 %"
reference_load = "20 N"
zero_return = "0 % to 2 % per common"
cycle_loss = "0.5 % +/- 0.2 %"
conditioning = "2 %"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "60 kohm +/- 1 %"
[use]
age = "0 h to 2000 h"
cycles_per_hour = "10 to 100"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
rezero = true
[[calibration]]
kind = "lot-curve"
loads = ["0 N", "30 N", "60 N"]
sample_units = 5
"""

_DRAFTED = (
    ("thin film", "inverting amplifier", "load concentrator"),
    ("thin film", "voltage divider", "direct"),
    ("strain-gauge bridge", "bridge amplifier", "direct"),
    ("thin film", "constant current", "direct"),
)
"""Sensor, circuit and interface of the drafted cases."""

_COMMENTED = re.compile(r"^# (\[+[\w.]+\]+|\w+ = .*)$", re.MULTILINE)

NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
UNITS = (
    "N",
    "kN",
    "mN",
    "V",
    "mV",
    "ohm",
    "kohm",
    "Mohm",
    "uS",
    "s",
    "h",
    "K",
    "degC",
    "Hz",
    "mm",
    "%",
    "ppm/K",
    "m",
    "",
)
TEXTS = (
    "", " ", "\n", "\0", "\x1b[31m", "é", "力", "😀", "مرحبا", "$x_1^2$", "\\frac", "=1+1", "a" * 300, "NaN", "+/-",
    "1e999 N", "-0 N", "0 N", "1/0", "nan N +/- inf %", "10 N +/- 0 %", "+/- 1 %", "1 N to 1 N", "0x10 N", "１ N",
    "0 V +/- 0 V", "1e-300 V", "1e300 ohm", "5 N +/- 1e6 %",
)  # fmt: skip
VALUES = (
    math.nan, math.inf, -math.inf, 0, -1, 1, 2, 10**9, 10**30, 0.0, 1e-300, 1e300, 5e-324, True, False, [], {}, [[]],
    {"value": "1"}, [1, 2], ["1 N", "2 N"], None,
)  # fmt: skip


@dataclass(frozen=True)
class Mutated:
    """A mutated case: its number, the case it comes from, what was done to it, and its tables or text."""

    number: int
    base: str
    done: tuple[str, ...]
    source: str | dict[str, Any]
    path: Path


@functools.cache
def bases() -> dict[str, tuple[dict[str, Any], Path]]:
    """Tables and path by name."""
    found: dict[str, tuple[dict[str, Any], Path]] = {}
    for place in sorted(ROOT.glob("cases/*/case.toml")):
        tables = tomllib.loads(place.read_text(encoding="utf-8"))
        tables["load"]["check"] = 3
        tables["calibration"] = tables["calibration"][:2]
        if "condition" in tables.get("use", {}):
            tables["use"]["condition"] = tables["use"]["condition"][:1]
        found[place.parent.name] = (tables, place)
    guide = (ROOT / "margin" / "guide" / "case_file.md").read_text(encoding="utf-8")
    text = next(block for block in re.findall(r"```toml\n(.*?)```", guide, re.DOTALL) if "[load]" in block)
    small = {"guide": text, "bridge": _BRIDGE, "table": _TABLE, "history": _HISTORY}
    for sensor, circuit, interface in _DRAFTED:
        drafted = draft(sensor, circuit, "2 N to 60 N", interface=interface).text
        small[f"{sensor}, {circuit}"] = _COMMENTED.sub(r"\1", drafted)
    for name, each in small.items():
        tables = tomllib.loads(each)
        if "history" not in tables:
            tables["load"]["check"] = 3
        found[name] = (tables, ROOT / f"{name}.toml")
    return found


def places(node: Any, key: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every key of a nest of tables and lists."""
    entries = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for name, value in entries:
        yield (*key, name)
        yield from places(value, (*key, name))


def at(tables: Any, key: tuple[Any, ...]) -> Any:
    """The value at a key."""
    for part in key:
        tables = tables[part]
    return tables


def put(tables: Any, key: tuple[Any, ...], value: Any) -> None:
    """Put a value, as TOML could hold it, at a key; None takes the key out."""
    holder = at(tables, key[:-1])
    if value is None:
        del holder[key[-1]]
    else:
        holder[key[-1]] = copy.deepcopy(value)


def texts_of(tables: Any) -> list[tuple[Any, ...]]:
    """Keys of texts with a number in them, and of numbers."""
    return [
        key
        for key in places(tables)
        if isinstance(at(tables, key), str | int | float)
        and (not isinstance(at(tables, key), str) or NUMBER.search(at(tables, key)))
    ]


def scaled(tables: Any, rng: random.Random) -> str:
    """A number times a power of ten, or with its sign turned, or zero, or at the edge of what can be written."""
    key = rng.choice(texts_of(tables))
    value = at(tables, key)
    power = rng.choice((-9, -6, -3, -2, -1, -1, -1, 1, 1, 1, 2, 3, 6, 9))
    how = rng.choice((*("scaled",) * 6, "negative", "zero", "huge", "tiny", "beyond"))

    def change(number: float) -> float:
        changed = {
            # what is at zero is left out, in most of a full case: it is then stated
            "scaled": number * 10.0**power if number else 10.0 ** rng.uniform(-9, 3),
            "negative": -number,
            "zero": 0.0,
            "huge": 1e200,
            "tiny": 1e-200,
        }
        return changed[how]

    if isinstance(value, str):
        found = rng.choice(list(NUMBER.finditer(value)))
        new: Any = value[: found.start()] + f"{change(float(found.group())):.6g}" + value[found.end() :]
    else:
        new = change(float(value))
        new = int(new) if isinstance(value, int) and math.isfinite(new) else new
    put(tables, key, new)
    return f"{how} {'.'.join(map(str, key))} = {new!r}"


def other_unit(tables: Any, rng: random.Random) -> str:
    """Another unit behind a number."""
    key = rng.choice([key for key in texts_of(tables) if isinstance(at(tables, key), str)])
    new = re.sub(r"(\d) [^\s,+(]+", lambda m: f"{m[1]} {rng.choice(UNITS)}", at(tables, key), count=1)
    put(tables, key, new)
    return f"unit {'.'.join(map(str, key))} = {new!r}"


def dropped(tables: Any, rng: random.Random) -> str:
    """A key, a table or an entry left out."""
    key = rng.choice(list(places(tables)))
    put(tables, key, None)
    return f"without {'.'.join(map(str, key))}"


def swapped(tables: Any, rng: random.Random) -> str:
    """Two values in each other's place."""
    one, two = rng.sample([key for key in places(tables) if not isinstance(at(tables, key), dict | list)], 2)
    first, second = at(tables, one), at(tables, two)
    put(tables, one, second)
    put(tables, two, first)
    return f"swapped {'.'.join(map(str, one))} and {'.'.join(map(str, two))}"


def other_value(tables: Any, rng: random.Random) -> str:
    """A value of another type, not a number, or infinite."""
    key, value = rng.choice(list(places(tables))), rng.choice(VALUES)
    put(tables, key, value)
    return f"value {'.'.join(map(str, key))} = {value!r}"


def other_text(tables: Any, rng: random.Random) -> str:
    """A text of another script, with control characters, or an extreme quantity."""
    key, value = rng.choice(list(places(tables))), rng.choice(TEXTS)
    put(tables, key, value)
    return f"text {'.'.join(map(str, key))} = {value[:20]!r}"


def no_tolerance(tables: Any, rng: random.Random) -> str:
    """No tolerance, or one of zero, in one quantity or in all."""
    keys = [key for key in texts_of(tables) if isinstance(at(tables, key), str) and "+/-" in at(tables, key)]
    for key in keys if rng.random() < 0.3 else rng.sample(keys, min(1, len(keys))):
        text = at(tables, key)
        put(tables, key, rng.choice((re.sub(r",? *\+/-.*", "", text), re.sub(r"\+/- [\d.]+", "+/- 0", text))))
    return "without tolerance"


def nested(tables: Any, rng: random.Random) -> str:
    """A value in a list in a list."""
    key = rng.choice(list(places(tables)))
    depth = rng.choice((1, 2, 200))
    value = at(tables, key)
    for _ in range(depth):
        value = [value]
    put(tables, key, value if depth < 3 else value[0])
    return f"nested {'.'.join(map(str, key))} {depth} deep"


def duplicated(tables: Any, rng: random.Random) -> str:
    """An entry of a list twice, or many times."""
    keys = [key for key in places(tables) if isinstance(at(tables, key), list) and at(tables, key)]
    if not keys:
        return other_value(tables, rng)
    key = rng.choice(keys)
    times = rng.choice((2, 2, 3, 300))
    put(tables, key, at(tables, key) * times)
    return f"{times} times {'.'.join(map(str, key))}"


def renamed(tables: Any, rng: random.Random) -> str:
    """A misspelt key."""
    key = rng.choice([key for key in places(tables) if isinstance(key[-1], str)])
    value = at(tables, key)
    put(tables, key, None)
    holder = at(tables, key[:-1])
    holder[rng.choice((key[-1][:-1], key[-1] + "s", key[-1].upper(), "é", "x" * 200))] = value
    return f"renamed {'.'.join(map(str, key))}"


MUTATIONS: tuple[Callable[[Any, random.Random], str], ...] = (
    *(scaled,) * 12, other_unit, dropped, dropped, dropped, swapped, swapped, other_value, other_text,
    *(no_tolerance,) * 3, nested, duplicated, renamed,
)  # fmt: skip


def truncated(path: Path, rng: random.Random) -> tuple[str, str]:
    """The text of a case cut off, with a line twice, or with a piece of it out."""
    text = path.read_text(encoding="utf-8")
    lines = text.split("\n")
    spot = rng.randrange(len(lines))
    how = rng.choice(("cut off", "line twice", "piece out", "letter"))
    if how == "line twice":
        lines.insert(spot, lines[spot])
        return "\n".join(lines), f"line {spot + 1} twice"
    place = rng.randrange(len(text))
    if how == "cut off":
        return text[:place], f"cut off after {place} characters"
    if how == "piece out":
        return text[:place] + text[place + rng.randrange(1, 200) :], f"a piece out at {place}"
    return text[:place] + rng.choice('"[]={}#\\\t,é\x07') + text[place:], f"a letter more at {place}"


def mutated(number: int, seed: int = 1) -> Mutated:
    """Mutated case of that number; every one has its own stream of random numbers."""
    rng = random.Random(seed * 1_000_003 + number)
    name = rng.choice(list(bases()))
    tables, path = bases()[name]
    if rng.random() < 0.1 and path.is_file():
        text, done = truncated(path, rng)
        return Mutated(number, name, (done,), text, path)
    tables = copy.deepcopy(tables)
    done_all: list[str] = []
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        try:
            done_all.append(rng.choice(MUTATIONS)(tables, rng))
        except (IndexError, ValueError, TypeError, KeyError, OverflowError):
            done_all.append("nothing")  # nothing of that sort is left to change
    return Mutated(number, name, tuple(done_all), tables, path)


class TimeOut(BaseException):
    """A case that took too long."""


def outcome(case: Mutated, limit: int = LIMIT) -> tuple[str, str]:
    """What becomes of a mutated case, one of OUTCOMES, and what there is to say of it."""

    def late(signum: int, frame: Any) -> None:
        raise TimeOut

    alarmed = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGALRM, late) if alarmed else None
    if alarmed:
        signal.alarm(limit)
    try:
        with warnings.catch_warnings(record=True) as leaked:
            warnings.simplefilter("always")
            found = _outcome(case)
        if leaked and found[0] not in BAD:
            told = leaked[0]
            return (
                "warning leaked",
                f"{told.category.__name__}: {told.message} ({told.filename}:{told.lineno})",
            )
        return found
    except TimeOut:
        return "time-out", "".join(traceback.format_exc().splitlines(keepends=True)[-12:])
    finally:
        if alarmed:
            signal.alarm(0)
            signal.signal(signal.SIGALRM, before)


def _outcome(case: Mutated) -> tuple[str, str]:
    try:
        loaded = read_case(case.source, case.path)
    except CaseError as error:
        lines = str(error).split("\n")
        clear = len(lines) == len(error.faults) and all(len(line) < 1000 for line in lines)
        return ("refused when read" if clear else "unclear message"), str(error)
    except Exception:
        return "traceback", traceback.format_exc()
    try:
        few = {"study.units": 64, "study.draw": "all units"}
        if loaded.study.outer != 1:
            few["study.outer"] = 2
        study = estimate(with_changes(loaded, few), budget=False, workers=1)
        str(study)
    except EvaluationError as error:
        return "evaluation refused", str(error)
    except ValueError as error:
        return ("refused by the study" if is_of_input(error) else "traceback"), traceback.format_exc()
    except Exception:
        return "traceback", traceback.format_exc()
    sound = all(0.0 <= share <= 1.0 for share in study.yields["yield"])
    return ("runs", "") if sound else ("traceback", f"a yield that is none: {study.yields['yield'].tolist()}")


def table(found: collections.Counter[str], count: int, seed: int) -> str:
    """The outcomes as a Markdown table."""
    lines = [
        "# Mutated cases",
        "",
        "What became of cases with something wrong or extreme in them (`mutated_cases.py` says how). Made by",
        "",
        f"    PYTHONPATH=. python tests/benchmarks/mutated_cases.py --count {count} --seed {seed} --table "
        "tests/benchmarks/mutated_cases.md",
        "",
        "| outcome | cases |",
        "|---|---|",
        *(f"| {name} | {found[name]} |" for name in OUTCOMES),
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    """Count the outcomes; what should not be is printed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--table", type=Path)
    asked = parser.parse_args()
    for tables, path in bases().values():
        read_case(tables, path)
        if path.is_file():
            load_case(path)
    found: collections.Counter[str] = collections.Counter()
    for number in range(asked.first, asked.first + asked.count):
        case = mutated(number, asked.seed)
        what, told = outcome(case)
        found[what] += 1
        if what in BAD:
            print(f"--- {number} ({case.base}: {'; '.join(case.done)}): {what}\n{told}", flush=True)
        if number % 50 == 49:
            print(number + 1, dict(found), file=sys.stderr, flush=True)
    text = table(found, asked.count, asked.seed)
    print(text)
    if asked.table is not None:
        asked.table.write_text(text, encoding="utf-8")
    sys.exit(any(found[name] for name in BAD))


if __name__ == "__main__":
    main()
