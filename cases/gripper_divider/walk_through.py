"""The divider against the amplifier: a choice between two circuits, cell by cell.

Run it as a script, `python cases/gripper_divider/walk_through.py FOLDER` (figures go to FOLDER), or cell by cell in an
editor that knows `# %%`.
"""

# %% Arguments and inputs
from __future__ import annotations

import sys
from pathlib import Path

import margin

HERE = Path(__file__).parent
FIGURES = Path(sys.argv[1] if len(sys.argv) == 2 and not sys.argv[1].startswith("-") else "walk_through")
FIGURES.mkdir(parents=True, exist_ok=True)

# %% Draft: what a first case of this circuit looks like
draft = margin.draft("thin film", "voltage divider", "2 N to 60 N", interface="load concentrator")
print("Example values to replace:", ", ".join(draft.replace))

# %% Check: the case as it was worked out, apart from the circuit that of the amplifier
divider = margin.load(HERE / "case.toml")
amplifier = margin.load(HERE.parent / "gripper_amplifier" / "case.toml")
print(divider)

# %% Estimate: which calibration suffices
study = margin.estimate(divider)
print(study)
study.error_over_load().savefig(FIGURES / "error-over-load.svg")
study.yield_over_limit().savefig(FIGURES / "yield-over-limit.svg")

# %% Compare: both circuits on the same draws
pair = margin.compare(amplifier, divider)
print(pair)
print(pair.checks.to_string(index=False))
pair.difference_by_option().savefig(FIGURES / "difference-by-option.svg")

# %% Budget: the resistor is not among the leading causes
option = study.results.focus.name
budget = margin.budget(divider, option=option)
effects = budget.effects.query("option == @option and output == 'conformity margin' and by == 'factor'")
print(f"Effects on the conformity margin, '{option}':")
print(
    effects.sort_values("total", ascending=False)[["group", "main", "total"]].head(8).to_string(index=False)
)
budget.failures_by_cause(by="cause").savefig(FIGURES / "failures-by-cause.svg")

# %% Change: another resistor, and a straight line from volts to force
two_points = "calibration.two points, 2 reloads, thermometer.space"
for changes in ({"circuit.resistor": "47 kohm +/- 1 %"}, {two_points: "output"}):
    changed = margin.estimate(margin.change(divider, changes), budget=False)
    print(changes)
    print(changed.yields[["option", "yield", "lower_bound"]].to_string(index=False))

# %% Next measurement: the most probable failing unit shows what to look at on the bench
rare = margin.rare(divider, option)
print(rare)
if rare.unit is not None:
    rare.failing_unit_by_factor().savefig(FIGURES / "failing-unit.svg")
study.worst_case_over_load(option).savefig(FIGURES / "worst-case.svg")
