"""Commands and Python lines of README and guide run as they are written; their links lead somewhere. Scripts of the
shipped cases run from beginning to end; the gallery draws what there is."""

from __future__ import annotations

import re
import runpy
import shlex
import sys
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from few_parts import FEW_PARTS
from small_shipped import ROOT, copy_cases, quicken, thin

import margin
from margin.cli import cli
from margin.commands.common import CONFORMS, DOES_NOT_CONFORM, UNDECIDED

PAGES = [ROOT / "README.md", *sorted((ROOT / "margin" / "guide").glob("*.md"))]
QUICK = {
    "budget": ["--runs", "3000"],
    "rare": ["--budget", "2000"],
    "improve": ["--sets", "20"],
    "age": ["--units", "330"],
    "diagnose": ["--no-causes"],
    "size": ["--parts", "few_parts.toml", "--designs", "1"],
    "plan": ["--units", "400", "--seconds", "20"],
    "accept": ["--units", "330"],
    "overturn": ["--units", "330", "--no-pairs"],
}
"""What is added to a command so that it takes seconds."""
SCRIPTS = ("walk_through.py", "gallery.py")
"""Scripts that tests of their own run."""
OWN_CASE = 'margin draft --sensor "thin film" --circuit "inverting amplifier" --range "2 N to 60 N" --out my_case.toml'


def blocks(language: str) -> list[Any]:
    """Blocks in a language, page by page, but for those with a mark that other tests or the checks run."""
    found = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for number, (mark, block) in enumerate(
            re.findall(rf"(<!-- (?:run|test|salib) -->\n)?```{language}\n(.*?)```", text, flags=re.DOTALL)
        ):
            if not mark:
                found.append(pytest.param(block, id=f"{page.stem}-{number}"))
    return found


def rows() -> list[Any]:
    """Rows of the README's table of questions: command and Python line."""
    text = PAGES[0].read_text(encoding="utf-8")
    return re.findall(r"^\| [^|`]+ \| `(margin [^`]+)` \| `([^`]+)` \|$", text, flags=re.MULTILINE)


@pytest.fixture
def small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the shipped cases at few units and the case that the README drafts; the working directory. Pages
    have empty figures: those are tried in tests/report, and here in scripts, the gallery and Python lines."""
    copy_cases(tmp_path)
    monkeypatch.chdir(tmp_path)
    command(OWN_CASE)
    (tmp_path / "few_parts.toml").write_text(FEW_PARTS, encoding="utf-8")
    quicken(monkeypatch)
    monkeypatch.setattr(
        "margin.report.style.svg", lambda figure, name: f'<svg id="{name}" viewBox="0 0 1 1"></svg>'
    )
    return tmp_path


def command(line: str) -> str:
    """Run a command line of a document; its output. It must accept its input."""
    words = shlex.split(line, comments=True)
    assert words[0] == "margin"
    out = Path(words[words.index("--out") + 1]) if "--out" in words else None
    drafted = words[1] == "draft" and out is not None
    if drafted and out is not None:
        out.unlink(missing_ok=True)
    found = CliRunner().invoke(cli, [*words[1:], *QUICK.get(words[1], [])])
    assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
    assert found.exit_code in (CONFORMS, DOES_NOT_CONFORM, UNDECIDED), found.output
    assert out is None or out.exists()
    if drafted and out is not None:
        thin(out)
    return found.output


@pytest.mark.parametrize("block", blocks("sh"))
def test_commands_run(block: str, small: Path) -> None:
    """Each command of a block accepts its input and does what it is for; a script that it starts is there."""
    lines = [line for line in block.splitlines() if line and not line.startswith("#")]
    assert lines
    for line in lines:
        if line.startswith("python "):
            path = small / shlex.split(line)[1]
            assert path.is_file() and path.name in SCRIPTS
        else:
            assert command(line) or "--quiet" in line


@pytest.mark.parametrize("block", blocks("python"))
def test_python_lines_run(block: str, small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A Python block runs, writes the files that it names and prints where it says so."""
    exec(block, {})
    for name in re.findall(r"savefig\(\"([^\"]+)\"\)|save_model\(\"([^\"]+)\"\)", block):
        assert (small / "".join(name)).stat().st_size > 0
    assert "save(" not in block or (small / "report" / "report.html").is_file()
    assert "print(" not in block or capsys.readouterr().out.strip()


def test_table_of_questions(small: Path) -> None:
    """Each question of the README has a command and a Python line, and both run in the order of the table."""
    found = rows()
    assert len(found) == 17
    names: dict[str, Any] = {"margin": margin}
    for line, python in found:
        if "validate" not in line:
            assert command(line)
            exec(python, names)
    assert {"study", "changed"} <= set(names)


@pytest.mark.parametrize("block", blocks("toml"))
def test_tables_of_the_guide_are_toml(block: str) -> None:
    """Every TOML block parses."""
    assert tomllib.loads(block)


def test_the_case_of_the_guide_is_whole() -> None:
    """The case that the guide explains line by line loads, with defaults for the rest."""
    text = (ROOT / "margin" / "guide" / "case_file.md").read_text(encoding="utf-8")
    case = margin.case.read_case(text.partition("```toml\n")[2].partition("```")[0])
    assert case.defaults and case.load_high == 60.0


def test_datasheet_figures_of_the_guide() -> None:
    """Sensor lines written as a datasheet states them are read in a whole case."""
    text = (ROOT / "margin" / "guide" / "case_file.md").read_text(encoding="utf-8")
    lines = next(
        block for block in re.findall(r"```toml\n(.*?)```", text, re.DOTALL) if "rated_load" in block
    )
    sensor = tomllib.loads(lines)["sensor"]
    draft = margin.draft("strain-gauge bridge", "bridge amplifier", "2 N to 60 N").case
    changes = {f"sensor.{key}": value for key, value in sensor.items()}
    limit = "larger of 2 % of reading and 0.5 % of rated load"
    case = margin.change(draft, changes | {"requirement.permissible_error": limit})
    for key in ("hysteresis", "curvature", "creep"):
        assert any(line.startswith(f"sensor.{key}") for line in case.readings)


def test_links_lead_to_files() -> None:
    """Every relative link of README and guide names a file of the repository."""
    for page in PAGES:
        for link in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
            assert link.startswith("https://") or (page.parent / link).is_file(), (page.name, link)


def test_the_readme_is_short_and_has_the_marked_commands() -> None:
    """It fits about 150 lines, and the two marked blocks hold one command each."""
    text = PAGES[0].read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 150
    for mark in ("run", "test"):
        block = text.partition(f"<!-- {mark} -->\n```sh\n")[2].partition("```")[0]
        assert len(block.splitlines()) == 1 and block.startswith("python3 -m venv .venv")


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
