"""Reading bench data: defaults, branches, flags, faults."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.bench import BenchDataError, read_bench
from margin.bench.data import at_points, branches, load_points


def write(path: Path, text: str) -> Path:
    """A CSV file of that text."""
    path = path / "bench.csv"
    path.write_text(text, encoding="utf-8")
    return path


def kinds(data) -> dict[int, str]:
    """Kind of the flag on each flagged line."""
    return dict(zip(data.flags["line"], data.flags["kind"], strict=True))


def test_missing_columns_take_stated_defaults(tmp_path) -> None:
    """Each optional column left out is listed in the notes with what is assumed."""
    data = read_bench(write(tmp_path, "load_N,voltage_V\n0,0.1\n5,1.0\n10,2.0\n"))
    text = "\n".join(data.notes)
    for column in ("lot", "sensor", "mounting", "circuit", "interface", "run", "branch", "time_s"):
        assert f"no column '{column}'" in text
    assert "taken as 25 degC" in text
    assert data.frame["temperature_degC"].tolist() == [25.0] * 3
    assert (data.quantity, data.unit) == ("voltage", "V")


def test_comments_and_blank_lines_keep_line_numbers(tmp_path) -> None:
    """A reading carries the line that an editor shows, whatever stands between, also in chunks."""
    text = "# invented\n\nload_N;code\n0;1\n\n# pause\n5;10\n10;20\n"
    data = read_bench(write(tmp_path, text), chunk_rows=2)
    assert data.frame["line"].tolist() == [4, 7, 8]
    assert data.frame["output"].tolist() == [1.0, 10.0, 20.0]
    assert "file says: invented" in data.notes


def test_branch_and_run_from_the_loads(tmp_path) -> None:
    """Two cycles that share their zero reading are told apart and split into branches."""
    loads = [0, 5, 10, 5, 0, 0, 5, 10, 5, 0]
    text = "load_N,code\n" + "\n".join(f"{load},{10 * load + i}" for i, load in enumerate(loads))
    frame = read_bench(write(tmp_path, text)).frame
    assert frame["branch"].tolist() == ["up"] * 3 + ["down"] * 2 + ["up"] * 3 + ["down"] * 2
    assert frame["run"].astype(str).tolist() == ["1"] * 5 + ["2"] * 5


@given(st.lists(st.floats(0.5, 20), min_size=2, max_size=8, unique=True), st.integers(1, 4))
@settings(max_examples=40, deadline=None)
def test_cycles_are_counted(loads, cycles) -> None:
    """Any number of full cycles through any loads is counted, with the right share going down."""
    steps = np.sort(np.array(loads))
    cycle = np.concatenate([[0.0], steps, steps[-2::-1], [0.0]])
    descending, run = branches(np.tile(cycle, cycles))
    assert run.tolist() == np.repeat(np.arange(1, cycles + 1), cycle.size).tolist()
    assert descending.sum() == cycles * steps.size


def test_ascending_passes_only() -> None:
    """A return from the top in one step is a new pass, not a descending branch."""
    descending, run = branches(np.array([1.0, 2.0, 3.0, 1.0, 2.0, 3.0]))
    assert not descending.any()
    assert run.tolist() == [1, 1, 1, 2, 2, 2]


def test_resistance_becomes_conductance(tmp_path) -> None:
    """Resistance is turned into conductance and said so; an open circuit conducts nothing."""
    data = read_bench(write(tmp_path, "load_N,resistance_ohm\n0,inf\n5,50000\n10,25000\n"))
    assert data.frame["output"].tolist() == pytest.approx([0.0, 2e-5, 4e-5])
    assert data.unit == "S" and any("1 / resistance_ohm" in note for note in data.notes)


def test_not_a_number_is_flagged_not_dropped(tmp_path) -> None:
    """An empty output stays in the frame, is flagged with its line and is set aside by default."""
    data = read_bench(write(tmp_path, "load_N,code\n0,1\n5,\n10,20\n"))
    assert kinds(data) == {3: "not a number"}
    assert len(data.frame) == 3 and len(data.usable()) == 2 and len(data.usable(without=())) == 3
    assert "1 reading flagged 'not a number', set aside" in data.notes


def test_doubtful_readings_are_flagged() -> None:
    """Repeated rows, time going back, an output at its limit and a stuck output get their reasons."""
    frame = pd.DataFrame(
        {
            "run": 1,
            "branch": "up",
            "time_s": [1, 2, 3, 4, 5, 6, 6, 5.5, 8, 9],
            "load_N": [0, 1, 2, 3, 4, 5, 5, 6, 7, 8],
            "code": [10, 20, 35, 35, 35, 50, 50, 60, 99, 99],
        }
    )
    assert kinds(read_bench(frame)) == {
        2: "stuck",
        3: "stuck",
        4: "stuck",
        6: "duplicate",
        7: "out of order in time",
        8: "saturated",
        9: "saturated",
    }


def test_one_top_load_is_not_saturation() -> None:
    """The largest output at the highest load of every cycle is no sign of a limit."""
    frame = pd.DataFrame({"run": [1, 1, 1, 2, 2, 2], "load_N": [0, 5, 10] * 2, "code": [0, 5, 9] * 2})
    assert read_bench(frame).flags.empty


def test_unconditioned_first_cycle() -> None:
    """A first cycle well above the later ones is flagged with its difference, and kept."""
    rng = np.random.default_rng(2)
    loads, runs = np.tile([2.0, 5.0, 10.0], 6), np.repeat(np.arange(1, 7), 3)
    gain = np.repeat(np.where(np.arange(6) == 0, 1.06, 1.0) * (1 + 0.002 * rng.standard_normal(6)), 3)
    data = read_bench(pd.DataFrame({"run": runs, "load_N": loads, "conductance_S": 1e-6 * loads * gain}))
    assert kinds(data) == dict.fromkeys([0, 1, 2], "first cycle")
    assert "run 1 reads +6" in data.flags["reason"][0] and len(data.usable()) == 18


def test_several_faults_at_once(tmp_path) -> None:
    """All faults of a file come together with line, column, value, reason and remedy."""
    text = (
        "sensor,branch,load_N,voltage_V\nA,up,0,0.1\nA,sideways,5,1.0\n,up,6,1.1\nA,up,ten,2.0\nA,up,1,1;5\n"
    )
    with pytest.raises(BenchDataError) as caught:
        read_bench(write(tmp_path, text))
    faults = {(fault.line, fault.column, fault.value) for fault in caught.value.faults}
    assert faults == {
        (3, "branch", "sideways"),
        (4, "sensor", None),
        (5, "load_N", "ten"),
        (6, "voltage_V", "1;5"),
    }
    assert "line 5, column 'load_N': not a number (got 'ten')" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no header line"),
        ("load_N,code\n", "no readings below its header"),
        ("code\n1\n", "'load_N': the column is missing"),
        ("load_N,code,voltage_V\n1,2,3\n", "exactly one output column"),
        ("load_N\n1\n", "exactly one output column"),
        ("load_N,code\n1,2\n1,2,3\n", "line 3: 3 fields where the header has 2"),
        ("load_N,code,code\n1,2,3\n", "appears twice"),
        ("load_N,resistance_ohm\n1,-5\n", "a resistance must be above zero"),
        ("load_N,resistance_ohm\n1,1e-300\n", "a resistance must be above zero, 1e-12 ohm at least"),
        ("load_N,voltage_V\n1e300,1\n", "line 2, column 'load_N': outside -1e+12 to 1e+12"),
        ("load_N,voltage_V\n1,-1e200\n", "line 2, column 'voltage_V': outside -1e+12 to 1e+12"),
        ("load_N,voltage_V,temperature_degC\n1,1,-300\n", "'temperature_degC': outside -273.15 to 10000"),
        ("load_N,output\n1,5\n", "unit of 'output' must be stated"),
        ("load_N,output,output_unit\n1,5,mA\n2,6,uA\n", "stated 2 times"),
        ("load_N,code,output_unit\n1,5,V\n", "has the unit count"),
    ],
)
def test_bad_files(tmp_path, text, words) -> None:
    """Each kind of unusable file is refused with what is wrong."""
    with pytest.raises(BenchDataError, match=r"bench\.csv") as caught:
        read_bench(write(tmp_path, text))
    assert words in str(caught.value)


def test_missing_and_undecodable_files(tmp_path) -> None:
    """A file that is not there, or is not text, is named."""
    with pytest.raises(BenchDataError, match="no such file"):
        read_bench(tmp_path / "none.csv")
    (tmp_path / "odd.csv").write_bytes(b"load_N,code\n\xff\xfe,1\n")
    with pytest.raises(BenchDataError, match="line 2, column 'load_N': not a number"):
        read_bench(tmp_path / "odd.csv")
    (tmp_path / "odd.csv").write_bytes(b"load_N,code\n1,2\n\0\0\0")
    with pytest.raises(BenchDataError, match="line 3: a NUL byte"):
        read_bench(tmp_path / "odd.csv")


def test_general_output_has_its_unit() -> None:
    """A general output takes its unit from the argument."""
    data = read_bench(pd.DataFrame({"load_N": [0, 1], "output": [4.0, 5.0]}), output_unit="mA")
    assert (data.quantity, data.unit) == ("output", "mA")


def test_conversion_by_circuit() -> None:
    """Voltages become conductances by each circuit's equation; what has none is flagged."""
    frame = pd.DataFrame({"circuit": ["a", "b", "b"], "load_N": [1, 1, 2], "voltage_V": [1.0, 1.5, 3.0]})
    data = read_bench(frame)
    equations = {"a": lambda v: v / 50e3, "b": lambda v: v / (3.0 - v) / 25e3}
    found = data.converted(equations, "conductance", "S")
    assert found.frame["output"][:2].tolist() == pytest.approx([2e-5, 4e-5])
    assert kinds(found) == {2: "not a number"}
    with pytest.raises(BenchDataError, match=r"circuit\(s\) b"):
        data.converted({"a": lambda v: v}, "conductance", "S")


def test_chunks_do_not_change_what_is_read(tmp_path) -> None:
    """Any size of chunk gives the same frame, branches and flags."""
    rng = np.random.default_rng(1)
    loads = np.tile([0.0, 5.0, 10.0, 5.0, 0.0], 40)
    rows = pd.DataFrame(
        {"sensor": np.repeat(["S1", "2"], 100), "load_N": loads, "code": rng.integers(0, 9, 200)}
    )
    path = tmp_path / "bench.csv"
    rows.to_csv(path, index=False)
    whole, parts = read_bench(path), read_bench(path, chunk_rows=7)
    pd.testing.assert_frame_equal(whole.frame.astype(str), parts.frame.astype(str))
    pd.testing.assert_frame_equal(whole.flags, parts.flags)


def test_a_reading_takes_little_memory(tmp_path) -> None:
    """Labels are kept as categories: a hundred thousand readings stay below 100 bytes each."""
    count = 100_000
    frame = pd.DataFrame(
        {
            "sensor": "a rather long name of a sensor",
            "load_N": np.tile([0.0, 5.0, 10.0, 5.0, 0.0], count // 5),
            "time_s": np.arange(count),
            "run": np.repeat(np.arange(count // 100), 100),
            "voltage_V": np.arange(count) / 7.0,
        }
    )
    path = tmp_path / "long.csv"
    frame.to_csv(path, index=False)
    data = read_bench(path, chunk_rows=20_000)
    assert len(data.frame) == count
    assert data.frame.memory_usage(deep=True).sum() < 100 * count


def test_load_points_and_local_slope() -> None:
    """Loads a little off their point are one point, and the output is brought to it along the slope."""
    rng = np.random.default_rng(3)
    loads = np.tile([0.0, 5.0, 10.0, 15.0, 20.0], 20) + rng.uniform(-0.02, 0.02, 100)
    assert np.unique(load_points(loads)).size == 5
    frame = read_bench(pd.DataFrame({"load_N": loads, "output": 3 * loads + 1}), "V").frame
    cells = at_points(frame).groupby("point_N")["output"]
    assert cells.std().max() < 2e-3 * 0.04 * 3


def test_a_ramp_is_divided_evenly() -> None:
    """A continuous ramp does not collapse into a single load point."""
    assert 40 < np.unique(load_points(np.linspace(0, 20, 5000))).size < 60
