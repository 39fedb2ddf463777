"""Figures of the report, drawn from the shipped cases: `python cases/gallery.py FOLDER`.

FOLDER gets a folder of SVG files for each case, one for the bench, one for the two grippers on the same draws, and
`index.html`, which shows them all.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

import margin

if TYPE_CHECKING:
    from matplotlib.figure import Figure

HERE = Path(__file__).parent
Drawn = tuple[str, str, Callable[[], "Figure"]]


def of_case(path: Path) -> Iterator[Drawn]:
    """Folder, name and figure of each figure of a case."""
    name = path.parent.name
    study = margin.estimate(path)
    option = study.results.focus.name
    budget = margin.budget(path, option=option)
    rare = margin.rare(path, option)
    figures: dict[str, Callable[[], Figure]] = {
        "error over load": study.error_over_load,
        "error by condition": study.error_by_condition,
        "yield by option": study.yield_by_option,
        "yield over limit": study.yield_over_limit,
        "failing units over limit": lambda: study.yield_over_limit(failing=True),
        "yield by cause": study.yield_by_cause,
        "largest error by option": study.largest_error_by_option,
        "worst case over load": study.worst_case_over_load,
        "lower bound over draws": study.lower_bound_over_draws,
        "effects by factor": budget.effects_by_cause,
        "effects by cause": lambda: budget.effects_by_cause(by="cause"),
        "failing units by cause": lambda: budget.failures_by_cause(by="cause"),
        "error by change": budget.error_by_change,
        "effects over load": budget.effects_over_load,
        "scopes over load": budget.scopes_over_load,
        "spread over load": budget.spread_over_load,
        "effects over temperature": budget.effects_over_temperature,
        "failing unit by factor": rare.failing_unit_by_factor,
    }
    for title, draw in figures.items():
        yield name, title, draw


def of_bench(path: Path) -> Iterator[Drawn]:
    """Folder, name and figure of each figure of the bench beside a case."""
    bench = margin.characterise(path, circuit="amplifier", interface="silicone")
    for title, draw in {
        "output over load": bench.output_over_load,
        "hysteresis over load": bench.hysteresis_over_load,
        "residuals over load": bench.residuals_over_load,
        "spread by level": bench.spread_by_level,
        "drift over time": bench.drift_over_time,
        "interval over sensors": bench.interval_over_sensors,
        "interval over readings": bench.interval_over_readings,
    }.items():
        yield "bench", title, draw


def every() -> Iterator[Drawn]:
    """Figures of all cases, of the bench, and of the two grippers on the same draws."""
    for path in sorted(HERE.glob("*/case.toml")):
        yield from of_case(path)
    yield from of_bench(HERE / "gripper_amplifier" / "bench.csv")
    pair = margin.compare(
        *(HERE / f"gripper_{circuit}" / "case.toml" for circuit in ("amplifier", "divider"))
    )
    yield "grippers", "difference by option", pair.difference_by_option


def main() -> None:
    """Draw them, and write the page."""
    parser = argparse.ArgumentParser(description="Figures of the report, drawn from the shipped cases.")
    parser.add_argument("folder", type=Path)
    folder: Path = parser.parse_args().folder
    shown: list[str] = []
    for group, title, draw in every():
        path = Path(group) / f"{title.replace(' ', '-')}.svg"
        try:
            figure = draw()
        except margin.errors.InvalidArgument as error:
            shown.append(f"<p>{escape(f'{group}: {title}: no figure, {error}')}</p>")
            continue
        (folder / group).mkdir(parents=True, exist_ok=True)
        figure.savefig(folder / path)
        caption = escape(f"{group}: {title}")
        shown.append(
            f'<figure><img src="{path.as_posix()}" alt="{caption}"><figcaption>{caption}</figcaption></figure>'
        )
        print(folder / path)
    page = '<!doctype html><meta charset="utf-8"><title>Figures of the shipped cases</title>\n' + "\n".join(
        shown
    )
    (folder / "index.html").write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
