"""Five invented laboratory files of five layouts: from each to a verdict, with the truth within the intervals."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from click.testing import CliRunner
from lab_files import (
    CASE,
    EXPONENT,
    FEEDBACK,
    LAB_FILES,
    RELOAD,
    REMOUNT,
    SENSITIVITY,
    UNIT,
    UNIT_EXPONENT,
    readings,
)

from margin.bench import condense_bench, read_bench, spreads_of
from margin.bench.data.mapping_file import statements
from margin.cli import cli
from margin.estimates import evaluate as evaluation

CONFIDENCE = 0.99


def stated_of(path, lab):
    """What the command line states of a file, as `read_bench` takes it."""
    columns, rest = {}, {}
    pairs = zip(lab.stated[::2], lab.stated[1::2], strict=True)
    for option, text in pairs:
        if option == "--column":
            field, _, column = text.partition("=")
            columns[field] = column
        else:
            rest[option.removeprefix("--").replace("-", "_")] = text
    stated, wanted = statements(path, columns=columns, **rest)
    return {"stated": stated, "wanted": wanted}


def conductance(data):
    """Readings as conductance."""
    return (
        data
        if data.quantity == "conductance"
        else data.converted({"unstated": lambda v: v / FEEDBACK}, "conductance", "S")
    )


@pytest.mark.parametrize("lab", LAB_FILES, ids=lambda lab: lab.name)
def test_from_file_to_verdict_in_two_commands(tmp_path, lab, monkeypatch) -> None:
    """One command fits the sensor of a laboratory's file, a second one gives the verdict of a case with it; the effects
    of causes, which the verdict does not need, from few evaluations."""
    monkeypatch.setattr(evaluation, "runs_of_report", lambda model: 2000)
    path = lab.write(tmp_path)
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    first = CliRunner().invoke(cli, ["bench", str(path), *lab.stated, "--model", str(tmp_path / "pad.toml")])
    assert first.exit_code == 0, first.output
    assert "Model:" in first.output
    second = CliRunner().invoke(cli, ["estimate", str(tmp_path / "case.toml")])
    assert second.exit_code in (0, 1, 3), second.output
    assert "CONFORM" in second.output or "UNDECIDED" in second.output
    model = tomllib.loads((tmp_path / "pad.toml").read_text(encoding="utf-8"))
    assert any("columns: " in each for each in model["model"]["assumptions"])


@pytest.mark.parametrize("lab", LAB_FILES, ids=lambda lab: lab.name)
def test_the_invented_truth_lies_within_the_intervals(tmp_path, lab) -> None:
    """Mean and spreads of sensitivity and exponent are recovered within their 99 % intervals."""
    path = lab.write(tmp_path)
    data = conductance(read_bench(path, **stated_of(path, lab)))
    found = spreads_of(data, "thin film", reference_load=10.0, confidence=CONFIDENCE).components
    gain, exponent = found["ln_sensitivity"], found["exponent"]
    truth = np.log(SENSITIVITY * 0.5**EXPONENT)
    assert gain.mean_low < truth < gain.mean_high
    assert exponent.mean_low < EXPONENT < exponent.mean_high
    # at half the reference load the exponent adds its own spread to that of the sensitivity
    unit = np.hypot(UNIT, np.log(2) * UNIT_EXPONENT)
    assert gain["sensor"].low < (unit if lab.mountings > 1 else np.hypot(unit, REMOUNT)) < gain["sensor"].high
    assert exponent["sensor"].low < UNIT_EXPONENT < exponent["sensor"].high
    assert gain["loading"].low < RELOAD < gain["loading"].high
    if lab.mountings > 1:
        assert gain["mounting"].low < REMOUNT < gain["mounting"].high


@pytest.mark.parametrize(
    ("lab", "seed"),
    list(zip(LAB_FILES, (11, 12, 13, 14, 15), strict=True)),
    ids=lambda v: getattr(v, "name", ""),
)
def test_every_reading_arrives_in_si_units(tmp_path, lab, seed) -> None:
    """Loads in N, conductances in S and labels are those that the file was written from, reading by reading."""
    path = lab.write(tmp_path)
    frame = conductance(read_bench(path, **stated_of(path, lab))).frame
    made = sorted(
        (r.sensor, r.mounting, r.cycle, r.branch, r.load, r.conductance)
        for r in readings(seed, lab.mountings)
    )
    assert len(frame) == len(made)
    number = frame["sensor"].astype(str).str.extract(r"(\d+)$")[0].astype(int)
    got = sorted(
        zip(number, frame["mounting"].astype(int), frame["run"].astype(int), frame["branch"].astype(str),
            frame["load_N"].round(2), frame["output"], strict=True)
    )  # fmt: skip
    assert [row[:4] for row in got] == [row[:4] for row in made]
    assert np.allclose([row[4] for row in got], [row[4] for row in made], atol=0.011)
    assert np.allclose([row[5] for row in got], [row[5] for row in made], rtol=2e-5, atol=3e-11)
    assert frame["temperature_degC"].to_numpy() == pytest.approx(23.0, abs=1e-9)


@pytest.mark.parametrize("lab", LAB_FILES, ids=lambda lab: lab.name)
def test_condensed_files_give_the_same_readings(tmp_path, lab) -> None:
    """The memory-bounded way reads the same loads and outputs from mapped columns."""
    path = lab.write(tmp_path)
    whole = read_bench(path, **stated_of(path, lab))
    means = condense_bench(path, chunk_rows=37, **stated_of(path, lab))
    assert means.read == len(whole.frame) and means.bad_rows == 0
    keys = ["sensor", "mounting", "run", "branch"]
    for column in ("load_N", "output"):
        one = whole.frame.groupby(keys, observed=True)[column].mean().to_numpy()
        # the last of a cycle and the first of the next lie at zero load: the stay counts for both readings
        weighted = means.frame.assign(total=means.frame[column] * means.frame["readings"])
        sums = weighted.groupby(keys, observed=True)[["total", "readings"]].sum()
        assert (sums["total"] / sums["readings"]).to_numpy() == pytest.approx(one, rel=1e-9)


def test_words_that_decide_a_level_are_asked_for(tmp_path) -> None:
    """'sample', 'set' and 'trial' are not guessed: each is asked for, with what it decides and how to state it."""
    lab = LAB_FILES[3]
    path = lab.write(tmp_path)
    asked = CliRunner().invoke(cli, ["bench", str(path)])
    assert asked.exit_code == 2
    for word in ("sample", "set", "trial"):
        line = next(line for line in asked.output.splitlines() if f"column '{word}'" in line)
        assert "level" in line and f'--column mounting="{word}"' in line and f'--column run="{word}"' in line


def test_a_proposed_mapping_is_shown_kept_and_used(tmp_path) -> None:
    """A proposal is printed, written, and read again beside the data; open questions stand in it until answered."""
    path = LAB_FILES[3].write(tmp_path)
    mapping = tmp_path / "trials.columns.toml"
    shown = CliRunner().invoke(cli, ["bench", str(path), "--propose", str(mapping)])
    assert shown.exit_code == 0 and "OPEN: 'set'" in shown.output
    text = mapping.read_text(encoding="utf-8")
    assert text in shown.output and 'load = "weight_g in g"' in text
    assert CliRunner().invoke(cli, ["bench", str(path)]).exit_code == 2
    answers = 'sensor = "sample"\nmounting = "set"\nrun = "trial"\n'
    mapping.write_text(text.replace("[columns]\n", f"[columns]\n{answers}"), encoding="utf-8")
    data = read_bench(path)
    assert data.frame.groupby(["sensor", "mounting", "run"], observed=True).ngroups == 54
    assert "columns as stated in trials.columns.toml" in data.notes
    again = CliRunner().invoke(cli, ["bench", str(path), "--quiet", "--mapping", str(mapping)])
    assert again.exit_code == 0, again.output


@pytest.mark.parametrize("lab", [LAB_FILES[0], LAB_FILES[1], LAB_FILES[4]], ids=lambda lab: lab.name)
def test_a_mapping_without_questions_reads_as_the_names_do(tmp_path, lab) -> None:
    """The proposal of a file without open questions states what would be found without it."""
    path = lab.write(tmp_path)
    plain = read_bench(path, **stated_of(path, lab)).frame
    mapping = tmp_path / "mapping.toml"
    shown = CliRunner().invoke(cli, ["bench", str(path), *lab.stated, "--propose", str(mapping)])
    assert "OPEN" not in shown.output
    stated, wanted = statements(path, mapping=mapping)
    again = read_bench(path, stated=stated, wanted=wanted).frame
    assert again.equals(plain)


def test_run_is_said_to_be_a_loading(tmp_path) -> None:
    """A column of runs is taken as loadings of a part that was not remounted, which the notes say."""
    path = LAB_FILES[0].write(tmp_path)
    said = [note for note in read_bench(path).notes if "not remounted" in note]
    assert said == ["'Lauf' read as loading: the part was not remounted between runs"]
