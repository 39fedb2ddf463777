"""Names, units, numbers and encodings of laboratories' tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from margin.bench import BenchDataError, read_bench
from margin.bench.data.cells import decimal_sign, numbers, one_number
from margin.bench.data.column_units import conversion, kind_of
from margin.bench.data.mapping_file import read_mapping, statements
from margin.bench.data.named import split_unit


@pytest.mark.parametrize(
    ("field", "unit", "factor"),
    [
        ("load", "N", 1.0), ("load", "mN", 1e-3), ("load", "kN", 1e3),
        # standard gravity 9.80665 m/s2: 3rd CGPM 1901; pound-force NIST SP 811, appendix B.8 (from memory)
        ("load", "kg", 9.80665), ("load", "g", 9.80665e-3), ("load", "kgf", 9.80665), ("load", "lbf", 4.4482216152605),
        ("voltage", "mV", 1e-3), ("voltage", "µV", 1e-6), ("resistance", "kΩ", 1e3), ("resistance", "Mohm", 1e6),
        ("resistance", "kOhm", 1e3), ("conductance", "uS", 1e-6), ("conductance", "nS", 1e-9),
        ("conductance", "mS", 1e-3), ("ratio", "mV/V", 1.0), ("ratio", "uV/V", 1e-3), ("time", "ms", 1e-3),
        ("time", "min", 60.0), ("time", "h", 3600.0), ("code", "counts", 1.0),
    ],
)  # fmt: skip
def test_units_become_those_of_the_bench(field, unit, factor) -> None:
    """Each unit of a load, time or output is known with its factor."""
    assert kind_of(unit) == field
    assert conversion(field, unit)(np.array([3.0]))[0] == pytest.approx(3.0 * factor, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "value"), [("degC", 23.0), ("°C", 23.0), ("K", 296.15), ("degF", 73.4), ("°F", 73.4)]
)
def test_temperatures_become_degrees_celsius(unit, value) -> None:
    """23 degC is 296.15 K and 73.4 degF (NIST SP 811, appendix B.8, from memory)."""
    assert conversion("temperature", unit)(np.array([value]))[0] == pytest.approx(23.0, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "stem", "unit"),
    [
        ("Kraft (kg)", "Kraft", "kg"), ("U [mV]", "U", "mV"), ("R / kohm", "R", "kohm"), ("load_N", "load", "N"),
        ("Kraft in N", "Kraft", "N"), ("Kraft, N", "Kraft", "N"), ("ratio / mV/V", "ratio", "mV/V"),
        ("Pad A", "Pad A", ""), ("Sensor C", "Sensor C", ""), ("Probe F", "Probe F", ""), ("Force N", "Force", "N"),
    ],
)  # fmt: skip
def test_the_unit_is_found_in_the_name(name, stem, unit) -> None:
    """A unit stands in brackets, behind 'in', a slash or a comma; a letter of a part's name is none."""
    assert split_unit(name) == (stem, unit)


@given(st.floats(-1e6, 1e6).map(lambda v: float(f"{v:.6g}")), st.sampled_from([".", ","]))
@settings(max_examples=60, deadline=None)
def test_numbers_survive_either_decimal_sign(value, sign) -> None:
    """A number written with a decimal comma or point is read as itself."""
    text = repr(value).replace(".", sign)
    assert numbers(pd.Series([text, ""], dtype=str), sign, "", "").values[0] == value


def test_grouped_thousands_and_units_in_cells() -> None:
    """Grouped thousands, a cell's own unit, an open circuit and empty cells are told apart from what is no number."""
    cells = pd.Series(["1.234,5", "12'500", "3,5 kohm", "OL", "-", "1.5", "x", "4 kg"], dtype=str)
    found = numbers(cells, ",", "resistance", "ohm")
    assert found.values[:4].tolist() == [1234.5, 12500.0, 3500.0, np.inf]
    assert np.isnan(found.values[4]) and [place for place, _, _ in found.bad] == [5, 6, 7]
    assert one_number("0,5 kg", ",") == (0.5, "kg") and one_number("Pad 3") is None
    assert decimal_sign(["1,5", "2,5", "3.5"]) == ","


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]
)
@pytest.mark.parametrize("separator", [";", "\t"])
def test_encodings_and_separators(tmp_path, encoding, separator) -> None:
    """A table reads the same in each encoding, with semicolons and tabs, decimal commas throughout."""
    rows = [["Prüfling", "Kraft (N)", "Leitwert (µS)"], ["A", "1,5", "2,25"], ["Ä", "2,5", "3,5"]]
    text = "\r\n".join(separator.join(row) for row in rows)
    (tmp_path / "bench.csv").write_bytes(text.encode(encoding))
    frame = read_bench(tmp_path / "bench.csv").frame
    assert frame["load_N"].tolist() == [1.5, 2.5]
    assert frame["output"].tolist() == [2.25e-6, 3.5e-6]
    assert frame["sensor"].tolist() == ["A", "Ä"]


def test_sheets_of_a_spreadsheet(tmp_path) -> None:
    """Of two sheets with readings one must be stated; a sheet that is not there is refused with those that are."""
    book = Workbook()
    for sheet in (book.active, book.create_sheet("Zweite")):
        sheet.append(["Kraft (N)", "U (mV)"])
        sheet.append([1, 2.5 if sheet.title == "Zweite" else 1.5])
    path = tmp_path / "bench.xlsx"
    book.save(path)
    with pytest.raises(BenchDataError, match="several sheets"):
        read_bench(path)
    with pytest.raises(BenchDataError, match="no such sheet"):
        stated, wanted = statements(path, sheet="Dritte")
        read_bench(path, stated=stated, wanted=wanted)
    stated, wanted = statements(path, sheet="Zweite")
    assert read_bench(path, stated=stated, wanted=wanted).frame["output"].tolist() == [2.5e-3]


def test_columns_as_stated_in_python() -> None:
    """A frame with any names is read as stated, constants and ignored columns too."""
    frame = pd.DataFrame({"a": ["1", "2"], "b": [3.0, 4.0], "set": [1, 2], "c": ["x", "y"]})
    columns = {"load": "a in kg", "resistance": "b in kohm", "temperature": "= 296.15 K", "ignored": ["set"]}
    stated, wanted = statements(frame, columns=columns)
    data = read_bench(frame, stated=stated, wanted=wanted)
    assert data.frame["load_N"].tolist() == pytest.approx([9.80665, 19.6133])
    assert data.frame["output"].tolist() == pytest.approx([1 / 3000, 1 / 4000])
    assert data.frame["temperature_degC"].tolist() == pytest.approx([23.0, 23.0])
    assert any("weight under standard gravity" in note for note in data.notes)


def test_a_column_of_units_beside_another_name_of_the_load_is_told() -> None:
    """Readings in a column 'output' beside 'load_kN' ask for their unit, and say why 'output_unit' does not give it."""
    frame = pd.DataFrame({"load_kN": [0.001, 0.002], "output": [1.0, 2.0], "output_unit": ["N", "N"]})
    with pytest.raises(BenchDataError, match="A column 'output_unit' is read only beside a column 'load_N'"):
        read_bench(frame)
    stated, wanted = statements(frame, output_unit="N")
    assert read_bench(frame, stated=stated, wanted=wanted).frame["load_N"].tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"load": "nothing in N"}, "no such column"),
        ({"force_of_nature": "a"}, "not something that a bench has"),
        ({"load": "a in mV"}, "not a unit of load"),
        ({"load": "= 5 V"}, "not a value of load"),
    ],
)
def test_statements_that_cannot_be_kept(columns, words) -> None:
    """A statement about the columns that does not fit the table is refused with what to write."""
    frame = pd.DataFrame({"a": [1.0, 2.0], "U (V)": [3.0, 4.0]})
    stated, wanted = statements(frame, columns=columns)
    with pytest.raises(BenchDataError, match=words):
        read_bench(frame, stated=stated, wanted=wanted)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x = ", "not TOML"), ("[colums]\nload = 'a'\n", "not a table of a mapping"),
        ("[columns]\nforce = 'a'\n", "not a key"),
        ("[file]\ndecimal = ';'\n", "neither a point nor a comma"), ("[columns]\nload = 5\n", "not a text"),
        ("[wide]\ncolumns = ['a']\n", "'over' is missing"),
    ],
)  # fmt: skip
def test_faults_of_a_mapping_file(tmp_path, text, words) -> None:
    """What is wrong in a mapping file is named with its key."""
    (tmp_path / "mapping.toml").write_text(text, encoding="utf-8")
    with pytest.raises(BenchDataError, match=words):
        read_mapping(tmp_path / "mapping.toml")


def test_a_flag_of_a_wide_table_names_line_and_column(tmp_path) -> None:
    """A reading that is not a number is flagged by itself, with its place in the file; the row's others stay."""
    path = tmp_path / "bench.csv"
    path.write_text("Pad;1 N (uS);2 N (uS);5 N (uS)\nA;1;2;5\nB;1;n/a;5\n", encoding="utf-8")
    stated, wanted = statements(path, output_unit="uS", wide="load")
    data = read_bench(path, "uS", stated=stated, wanted=wanted)
    assert len(data.usable()) == 5
    assert "(line 3, column '2 N (uS)')" in data.flags["reason"].iloc[0]
