"""Scripts of the shipped cases run from beginning to end; the gallery draws what there is."""

from __future__ import annotations

import runpy
import sys
from contextlib import suppress
from pathlib import Path

import pytest
from small_shipped import ROOT, copy_cases, quicken

import margin


@pytest.fixture
def small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the shipped cases at few units; the working directory."""
    copy_cases(tmp_path)
    monkeypatch.chdir(tmp_path)
    quicken(monkeypatch)
    return tmp_path


@pytest.mark.parametrize("name", ["gripper_amplifier", "load_cell"])
def test_walk_through_runs(
    name: str, small: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The script of a case prints its story and saves its figures where it is told to."""
    script = small / "cases" / name / "walk_through.py"
    monkeypatch.setattr(sys, "argv", [str(script), "figures"])
    runpy.run_path(str(script), run_name="__main__")
    assert "Calibration" in capsys.readouterr().out
    figures = sorted(path.name for path in (small / "figures").glob("*.svg"))
    assert len(figures) >= 4


@pytest.mark.parametrize("name", sorted(path.parent.name for path in ROOT.glob("cases/*/case.toml")))
def test_every_case_has_a_script_in_cells(name: str) -> None:
    """Six cells or more tell the story of a case."""
    assert (ROOT / "cases" / name / "walk_through.py").read_text(encoding="utf-8").count("# %%") >= 6


def test_gallery_draws_every_figure_of_a_case(small: Path) -> None:
    """What the gallery takes of a case are figures that can be drawn."""
    gallery = runpy.run_path(str(small / "cases" / "gallery.py"))
    made = 0
    for folder, name, figure in gallery["of_case"](small / "cases" / "load_cell" / "case.toml"):
        assert folder == "load_cell" and name
        with suppress(margin.errors.InvalidArgument):  # a figure of something that this case does not have
            assert figure().axes
            made += 1
    assert made >= 8
