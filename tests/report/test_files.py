"""What a report leaves on disk, and what it leaves alone."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import jsonschema
import pandas as pd
import pytest

from margin.estimates.results import Results
from margin.report import document, files, folder

TABLES = ("yields.csv", "errors.csv", "budget.csv", "limit_curve.csv", "worst_case.csv")


def names(path: Path) -> set[str]:
    return {found.relative_to(path).as_posix() for found in path.rglob("*") if found.is_file()}


def validate(loaded: dict[str, object]) -> None:
    schema = json.loads(files.schema_path().read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(loaded, schema, cls=jsonschema.Draft202012Validator)


def test_report_is_complete(report: Path) -> None:
    """Page, JSON, tables and figures are written, and their manifest, nothing else; the JSON lists them."""
    found = names(report)
    assert {"report.html", "results.json", *TABLES} <= found
    assert len([name for name in found if name.endswith(".svg")]) >= 6
    assert set(files.load_results_json(report / "results.json")["files"]) == found - {"manifest.json"}


def test_json_keeps_its_schema_and_round_trips(results: Results, report: Path) -> None:
    """results.json validates against the shipped schema, and reading it back gives the same document."""
    loaded = files.load_results_json(report / "results.json")
    validate(loaded)
    assert document.to_json(loaded) == (report / "results.json").read_text(encoding="utf-8")
    errors = pd.DataFrame(loaded["errors"])
    pd.testing.assert_frame_equal(errors, files.errors_frame(results))
    assert loaded["conforms"] is True
    assert loaded["computed"]["seed"] == results.seed


def test_no_nan_in_json(results: Results) -> None:
    """A number that there is none of is null, and its place and reason are listed."""
    option = results.options[0]
    errors = option.errors.copy()
    errors.loc[0, "p95_abs_reading"] = float("nan")
    yields = {name: replace(found, lots=None) for name, found in option.yields.items()}
    changed = replace(results, options=(replace(option, errors=errors, yields=yields), *results.options[1:]))
    text = document.to_json(document.to_document(changed))
    assert "NaN" not in text
    loaded = json.loads(text)
    validate(loaded)
    assert loaded["errors"][0]["p95_abs_reading"] is None
    reasons = {entry["place"]: entry["reason"] for entry in loaded["undetermined"]}
    assert reasons["errors[0].p95_abs_reading"] == "no percentage of reading at zero load"
    assert reasons["options[0].lots_low"] == "nothing varies from lot to lot"


def test_json_says_nothing_of_the_machine(report: Path) -> None:
    """Paths of the machine stay out of the document."""
    assert "/somewhere/else" not in (report / "results.json").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "not JSON"),
        ("[]", "not a results document"),
        ('{"format": {"name": "something"}}', "not a results document"),
        ('{"format": {"name": "margin results", "version": 99}}', "version 99"),
    ],
)
def test_other_documents_are_refused(text: str, message: str, tmp_path: Path) -> None:
    """Reading back anything but a results document of this version is a clear error."""
    (tmp_path / "x.json").write_text(text)
    with pytest.raises(files.UnreadableResults, match=message):
        files.load_results_json(tmp_path / "x.json")


def test_tables_hold_the_results(results: Results, report: Path) -> None:
    """The CSV files read back to the frames, units in the names of their columns."""
    frame = pd.read_csv(report / "budget.csv")
    pd.testing.assert_frame_equal(frame, results.budget, check_dtype=False)
    assert {"load_N", "p95_abs_N_low"} <= set(pd.read_csv(report / "errors.csv").columns)
    yields = pd.read_csv(report / "yields.csv")
    assert len(yields) == 3 * len(results.options)
    decisive = yields[yields["decisive"]].set_index("option")["lower_bound"]
    assert decisive["two-point"] == pytest.approx(results.option("two-point").decisive_yield.lower_bound)


@pytest.mark.usefixtures("undrawn")
def test_writing_again_replaces_its_own_files(results: Results, tmp_path: Path) -> None:
    """An earlier report is replaced; a file of it that is not written any more goes away."""
    files.write_report(results, tmp_path)
    assert "budget.svg" in names(tmp_path)
    files.write_report(replace(results, budget=results.budget.iloc[:0], seed=12), tmp_path)
    assert "budget.svg" not in names(tmp_path)
    assert files.load_results_json(tmp_path / "results.json")["computed"]["seed"] == 12


@pytest.mark.parametrize("name", ["notes.txt", "report.html", "results.json", "figures/mine.svg"])
def test_foreign_files_are_left_alone(name: str, results: Results, tmp_path: Path) -> None:
    """A folder with a file that no report wrote, even of the same name, is refused and left as it is."""
    (tmp_path / name).parent.mkdir(exist_ok=True)
    (tmp_path / name).write_text("mine")
    with pytest.raises(ValueError, match="holds files that no earlier report wrote"):
        files.write_report(results, tmp_path)
    assert names(tmp_path) == {name}
    assert (tmp_path / name).read_text() == "mine"


def test_foreign_file_beside_a_report(results: Results, report: Path, tmp_path: Path) -> None:
    """A file added to a report stops the next report; the earlier one stays."""
    shutil.copytree(report, tmp_path, dirs_exist_ok=True)
    before = (tmp_path / "results.json").read_bytes()
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(files.FolderNotOurs, match=r"notes\.txt"):
        files.write_report(replace(results, seed=12), tmp_path)
    assert (tmp_path / "results.json").read_bytes() == before


def test_a_file_is_no_folder(results: Results, tmp_path: Path) -> None:
    """A report cannot be written to a file."""
    (tmp_path / "x").write_text("mine")
    with pytest.raises(files.FolderNotOurs, match="a file, not a folder"):
        files.require_writable(tmp_path / "x")


def test_a_folder_below_a_file_or_without_rights_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What stands in the way is named, before anything is drawn."""
    (tmp_path / "x").write_text("mine")
    with pytest.raises(files.FolderNotOurs, match="x is a file, not a folder"):
        files.require_writable(tmp_path / "x" / "report")
    monkeypatch.setattr("os.access", lambda place, mode: False)
    with pytest.raises(files.FolderNotOurs, match="may not be written; name another folder"):
        files.require_writable(tmp_path / "report")


@pytest.mark.usefixtures("undrawn")
def test_interrupted_writing_leaves_nothing(
    results: Results, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After an interruption in the middle of writing neither files nor folders are left."""
    written: list[str] = []
    original = Path.open

    def failing_open(self: Path, *args: object, **options: object) -> object:
        if ".margin-part" in str(self):
            written.append(self.name)
            if len(written) == 4:
                raise KeyboardInterrupt
        return original(self, *args, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(Path, "open", failing_open)
    with pytest.raises(KeyboardInterrupt):
        files.write_report(results, tmp_path / "a" / "b")
    assert len(written) == 4
    assert list(tmp_path.iterdir()) == []


def test_interrupted_writing_keeps_the_earlier_report(
    report: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A failure while writing leaves an earlier report as it was."""
    shutil.copytree(report, tmp_path, dirs_exist_ok=True)
    before = {name: (tmp_path / name).read_bytes() for name in names(tmp_path)}
    monkeypatch.setattr(os, "getpid", lambda: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        folder.publish(tmp_path, {"report.html": "new", "results.json": "new"}, replace=True)
    assert {name: (tmp_path / name).read_bytes() for name in names(tmp_path)} == before


def test_single_file_is_written_whole(tmp_path: Path) -> None:
    """`write_text` replaces a file and leaves nothing beside it."""
    files.write_text(tmp_path / "x.json", "{}")
    files.write_text(tmp_path / "x.json", "[]")
    assert names(tmp_path) == {"x.json"}
    assert (tmp_path / "x.json").read_text() == "[]"


def test_report_is_reproducible(results: Results, report: Path, tmp_path: Path) -> None:
    """The same results give the same bytes in every file."""
    files.write_report(results, tmp_path)
    for name in names(report):
        assert (tmp_path / name).read_bytes() == (report / name).read_bytes()
