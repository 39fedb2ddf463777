"""Long bench files condensed to means: the same results, bounded memory, what is wrong with a file."""

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from long_bench import FEEDBACK, STAYS, write_long_bench

from margin.bench import BenchDataError, figures_of_merit, fit_sensor, frame_of, read_bench, spreads_of
from margin.bench.data import SET_ASIDE
from margin.bench.fits import ReferenceLoad
from margin.bench.summary import condense_bench

EQUATION = {"unstated": lambda v: v / FEEDBACK}


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """A file of 20 readings a stay, 200 a hold."""
    path = tmp_path_factory.mktemp("long") / "bench.csv"
    write_long_bench(path, 20)
    return path


@pytest.fixture(scope="module")
def both(path):
    """All readings of it, and its means, as conductance."""
    whole, means = read_bench(path), condense_bench(path, chunk_rows=1000)
    return whole.converted(EQUATION, "conductance", "S"), means.converted(EQUATION, "conductance", "S")


def test_one_row_a_stay(path) -> None:
    """Each stay is one row with its readings and the line of the first; a hold keeps its course in time."""
    means = condense_bench(path)
    frame, whole = means.frame, read_bench(path).frame
    cycles = frame[frame["run"] != "hold"]
    assert len(cycles) == STAYS and set(cycles["readings"]) == {20.0}
    first = whole.iloc[:20]
    assert cycles["output"].iloc[0] == pytest.approx(first["output"].mean(), rel=1e-14)
    assert cycles["squares"].iloc[0] == pytest.approx(first["output"].var(ddof=0) * 20, rel=1e-9)
    assert cycles["line"].iloc[:2].tolist() == [3, 23]
    assert frame["readings"].sum() == len(whole) == means.read
    holds = frame[frame["run"] == "hold"]
    assert 8 * 20 < len(holds) <= 8 * 62


def test_figures_of_merit_are_those_of_all_readings(both) -> None:
    """Every figure and interval agrees to 1e-11; the drift, in cells of 1/20 decade, to 1e-3 % per decade."""
    whole, means = (frame_of(figures_of_merit(data)).set_index(["sensor", "name"]) for data in both)
    assert whole["note"].equals(means["note"]) and whole["count"].equals(means["count"])
    drift = whole.index.get_level_values("name") == "drift per decade"
    for column in ("value", "low", "high"):
        one, two = whole[column].astype(float), means[column].astype(float)
        assert two[~drift].to_numpy() == pytest.approx(
            one[~drift].to_numpy(), rel=1e-11, abs=1e-11, nan_ok=True
        )
    for column in ("value", "low", "high"):
        away = (means[column] - whole[column]).astype(float)[drift]
        assert away.abs().max() < 1e-3


def test_spreads_are_those_of_all_readings(both) -> None:
    """Components of sensitivity agree to 1e-5 (the logarithm of a mean for the mean of logarithms), the scatter of
    readings to 1e-9 with the same degrees of freedom."""
    whole, means = (spreads_of(data, "thin film", reference_load=10.0) for data in both)
    for level in ("sensor", "mounting", "loading"):
        one, two = (found.components["ln_sensitivity"][level] for found in (whole, means))
        assert (two.sd, two.low, two.high) == pytest.approx((one.sd, one.low, one.high), rel=1e-5)
    assert means.reading.dof == whole.reading.dof
    assert means.reading.sd == pytest.approx(whole.reading.sd, rel=1e-9)


@pytest.mark.parametrize("reference", [ReferenceLoad(), ReferenceLoad(scatter=0.01, gain=0.001)])
@pytest.mark.parametrize("kind", ["strain-gauge bridge", "thin film"])
def test_a_fit_of_means_is_that_of_the_readings(kind, reference) -> None:
    """Parameters, covariance, AICc and lack of fit from means with counts and squares agree with those from the
    readings: exactly for a polynomial, within the scatter of a logarithm for a thin film."""
    rng = np.random.default_rng(3)
    counts = np.array([5, 40, 10, 20, 8, 30, 12, 6])
    load = np.repeat(np.array([1.0, 2.0, 4.0, 6.0, 8.0, 12.0, 16.0, 20.0]), counts)
    output = 2e-6 * load**0.9 * (1 + 1e-4 * rng.standard_normal(load.size))
    cells = pd.DataFrame({"load": load, "output": output}).groupby("load")["output"]
    squares = (cells.var(ddof=0) * cells.size()).to_numpy()
    models = ["quadratic"] if kind == "strain-gauge bridge" else ["power law"]
    whole = fit_sensor(load, output, kind, reference, models=models)[0]
    means = fit_sensor(
        cells.size().index.to_numpy(), cells.mean().to_numpy(), kind, reference, models=models,
        counts=counts, squares=squares,
    )[0]  # fmt: skip
    near = 1e-8 if kind == "strain-gauge bridge" and not reference.scatter else 2e-4
    assert means.curve.parameters == pytest.approx(whole.curve.parameters, rel=near, abs=1e-12)
    assert means.curve.standard_errors == pytest.approx(whole.curve.standard_errors, rel=max(near, 1e-6))
    assert means.curve.dof == whole.curve.dof
    assert means.aicc == pytest.approx(whole.aicc, rel=1e-5)
    assert means.lack is not None and whole.lack is not None
    assert means.lack.dof == whole.lack.dof
    assert means.lack.ratio == pytest.approx(whole.lack.ratio, rel=1e-2)


@pytest.mark.parametrize("chunk", [101, 500])
def test_chunks_do_not_change_what_is_found(path, chunk) -> None:
    """Any size of chunk gives the same rows: labels, lines and counts exactly, sums to rounding."""
    one, two = condense_bench(path), condense_bench(path, chunk_rows=chunk)
    exact = ["line", "sensor", "mounting", "run", "branch", "readings", "step"]
    pd.testing.assert_frame_equal(one.frame[exact], two.frame[exact])
    assert two.frame["output"].to_numpy() == pytest.approx(one.frame["output"].to_numpy(), rel=1e-13)
    assert two.frame["squares"].to_numpy() == pytest.approx(
        one.frame["squares"].to_numpy(), rel=1e-6, abs=1e-18
    )


def test_runs_and_branches_from_the_order_of_the_loads(tmp_path) -> None:
    """Without columns run and branch they are those that single readings get, reading by reading."""
    path = tmp_path / "plain.csv"
    write_long_bench(path, 6, columns=("sensor", "mounting", "load_N"), load_noise=0.001)
    whole, means = read_bench(path).frame, condense_bench(path, chunk_rows=100).frame
    keys = ["sensor", "mounting", "run", "branch"]
    one = whole.groupby(keys, observed=True)["output"].agg(["size", "mean"])
    sums = means.assign(total=means["readings"] * means["output"]).groupby(keys, observed=True)
    two = sums["readings"].sum()
    assert two.to_dict() == one["size"].to_dict()
    assert (sums["total"].sum() / two).to_numpy() == pytest.approx(one["mean"].to_numpy(), rel=1e-12)


def test_interleaved_series(tmp_path, path) -> None:
    """A logger that reads the sensors in turn gives the same stays as one sensor after the other."""
    rows = pd.read_csv(path, comment="#")
    turn = rows.assign(order=rows.groupby("sensor").cumcount()).sort_values(["order", "sensor"])
    other = tmp_path / "turn.csv"
    turn.drop(columns="order").to_csv(other, index=False)
    keys = ["sensor", "mounting", "run", "branch", "step", "time_s"]
    one, two = (condense_bench(p, chunk_rows=333).frame.sort_values(keys) for p in (path, other))
    for column in ("readings", "output", "squares"):
        assert two[column].to_numpy() == pytest.approx(one[column].to_numpy(), rel=1e-9, abs=1e-18)


def doubtful_file(path, readings: int):
    """One sensor, loads up, `readings` of each stay; saturated at the two highest loads, stuck at 2 to 4 N."""
    rng = np.random.default_rng(5)
    rows = []
    for run in range(6):
        for load in range(11):
            for k in range(readings):
                value = 0.1 * load + 1e-3 * rng.standard_normal()
                value = 0.95 if load >= 9 else 0.3 if run == 2 and 2 <= load <= 4 else value
                value *= 1.05 if run == 0 and load < 9 else 1.0
                rows.append((run, "up", 10 * load + k, load, round(value, 6)))
    frame = pd.DataFrame(rows, columns=["run", "branch", "time_s", "load_N", "voltage_V"])
    frame.loc[5, "voltage_V"] = np.nan
    frame = pd.concat([frame.iloc[:8], frame.iloc[7:8], frame.iloc[8:]])
    frame.iloc[20, 2] -= 30
    frame.to_csv(path, index=False)
    return frame


@pytest.mark.parametrize("readings", [1, 4])
def test_doubtful_readings_are_those_of_single_readings(tmp_path, readings) -> None:
    """Not a number, duplicate, out of order, saturated, stuck and first cycle: the same counts, the same means. (What
    is set aside counts in the first cycle no more.)"""
    path = tmp_path / "doubtful.csv"
    doubtful_file(path, readings)
    whole, means = read_bench(path), condense_bench(path, chunk_rows=13)
    flags = whole.flags
    aside = flags.loc[flags["kind"].isin(SET_ASIDE), "line"]
    kept = flags[flags["kind"].isin(SET_ASIDE) | ~flags["line"].isin(aside)]
    counts = kept["kind"].value_counts().to_dict()
    assert means.flag_counts == counts
    assert len(counts) == 6
    one = whole.usable().groupby(["run", "load_N"], observed=True)["output"].agg(["size", "mean"])
    two = means.usable().set_index(["run", "load_N"])
    assert two["readings"].to_numpy() == pytest.approx(one["size"].to_numpy())
    assert two["output"].to_numpy() == pytest.approx(one["mean"].to_numpy(), rel=1e-12)
    assert any("readings flagged 'saturated', set aside" in note for note in means.notes)
    assert set(means.flags["kind"]) == {"first cycle", "out of order in time"}


def test_summary_counts_readings(path) -> None:
    """The table by load counts readings, with the mean and standard deviation of all of them."""
    table = condense_bench(path).summary()
    first = read_bench(path).frame.iloc[:20]["output"]
    assert table["count"].iloc[0] == 20
    assert table["mean"].iloc[0] == pytest.approx(first.mean(), rel=1e-13)
    assert table["std"].iloc[0] == pytest.approx(first.std(), rel=1e-9)


def test_bad_rows_are_counted_and_the_first_named(tmp_path) -> None:
    """300 bad rows of 900: left out, all counted, 100 kept with line, column and reason."""
    path = tmp_path / "bad.csv"
    good, text, short = "A,5,1.0", "A,five,1.0", "A,5"
    path.write_text(
        "sensor,load_N,voltage_V\n" + "\n".join([good, text] * 150 + [good, short] * 150 + [good] * 300)
    )
    found = condense_bench(path, chunk_rows=64)
    assert (found.bad_rows, len(found.faults), found.read) == (300, 100, 600)
    assert (found.faults[0].line, found.faults[0].column, found.faults[0].value) == (3, "load_N", "five")
    assert any("300 rows cannot be read" in note for note in found.notes)
    assert found.frame["readings"].tolist() == [600.0]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no header line"),
        ("load_N,code\n", "no readings that can be used"),
        ("load_N,code\nx,1\n", "not a number"),
        ("code\n1\n", "'load_N': the column is missing"),
        ("load_N,code,code\n1,2,3\n", "appears twice"),
        ("load_N,output\n1,5\n", "unit of 'output' must be stated"),
    ],
)
def test_bad_files(tmp_path, text, words) -> None:
    """Each kind of unusable file is refused with what is wrong."""
    (tmp_path / "bench.csv").write_text(text, encoding="utf-8")
    with pytest.raises(BenchDataError) as caught:
        condense_bench(tmp_path / "bench.csv")
    assert words in str(caught.value)


def test_missing_and_undecodable_files(tmp_path) -> None:
    """A file that is not there, or is not text, is named."""
    with pytest.raises(BenchDataError, match="no such file"):
        condense_bench(tmp_path / "none.csv")
    (tmp_path / "odd.csv").write_bytes(b"load_N,code\n1,2\n\0\0,1\n")
    with pytest.raises(BenchDataError, match="line 3: a NUL byte"):
        condense_bench(tmp_path / "odd.csv")


def test_loads_never_met_twice_stay_few(tmp_path) -> None:
    """A ramp of 60,000 different loads gives the load points that single readings get, within one in forty."""
    path = tmp_path / "ramp.csv"
    load = np.linspace(0, 20, 60_001)
    pd.DataFrame({"branch": "up", "run": 1, "load_N": load, "output": 3 * load}).to_csv(path, index=False)
    means = condense_bench(path, "V")
    assert 40 < len(means.frame) < 60
    assert np.abs(means.frame["output"] - 3 * means.frame["load_N"]).max() < 1e-9


def test_memory_does_not_grow_with_the_readings(tmp_path) -> None:
    """After a file of 50,000 rows, one of 200,000 raises the peak memory of a process by less than 5 MB."""
    pytest.importorskip("resource")
    paths = [tmp_path / "short.csv", tmp_path / "long.csv"]
    rows = [write_long_bench(path, readings) for path, readings in zip(paths, (145, 580), strict=True)]
    assert rows == [145 * (STAYS + 80), 580 * (STAYS + 80)]
    code = (
        "import resource, sys\n"
        "from margin.bench.summary import condense_bench\n"
        "for path in sys.argv[1:]:\n"
        "    read = condense_bench(path, chunk_rows=10_000).read\n"
        "    print(read, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, paths)], capture_output=True, text=True, check=True
    )
    found = np.array([line.split() for line in done.stdout.splitlines()], dtype=np.int64)
    assert found[:, 0].tolist() == rows
    unit = 1.0 if sys.platform == "darwin" else 1024.0
    assert (found[1, 1] - found[0, 1]) * unit < 5e6, done.stdout
