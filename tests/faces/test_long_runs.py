"""The command line of long runs: a folder to resume from, a cluster to draw on."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from margin.cli import cli
from margin.commands.common import BAD_INPUT, CONFORMS


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["estimate", *map(str, words), "--quiet"])


def test_a_run_resumes_from_its_folder_alone(case: Path, tmp_path: Path) -> None:
    """The same command goes on from the folder; with another seed it is refused in one message."""
    folder = tmp_path / "kept"
    assert invoke(case, "--resume", folder).exit_code == CONFORMS
    chunks = {file: file.stat().st_mtime_ns for file in folder.rglob("*.chunk")}
    assert chunks
    assert invoke(case, "--resume", folder).exit_code == CONFORMS
    assert {file: file.stat().st_mtime_ns for file in folder.rglob("*.chunk")} == chunks
    refused = invoke(case, "--resume", folder, "--seed", "9")
    assert refused.exit_code == BAD_INPUT
    assert "seed 1 there, 9 here" in refused.output
    assert "Traceback" not in refused.output


@pytest.mark.parametrize(("place", "told"), [("0", "1 worker or more"), ("nowhere", "is no address")])
def test_a_cluster_that_is_none_is_bad_input(place: str, told: str, case: Path) -> None:
    """A number below 1 and an address that is none exit with 2 and one message."""
    found = invoke(case, "--cluster", place)
    assert found.exit_code == BAD_INPUT
    assert told in found.output
    assert "Traceback" not in found.output
