"""The load cell with a measured curve, from its data to the next measurement, cell by cell.

Run it as a script, `python cases/load_cell/walk_through.py FOLDER` (figures go to FOLDER), or cell by cell in an editor
that knows `# %%`.
"""

# %% Arguments and inputs
from __future__ import annotations

import sys
from pathlib import Path

import margin

HERE = Path(__file__).parent
FIGURES = Path(sys.argv[1] if len(sys.argv) == 2 and not sys.argv[1].startswith("-") else "walk_through")
FIGURES.mkdir(parents=True, exist_ok=True)

# %% Check: interpretation of the inputs, and what is assumed
case = margin.load(HERE / "case.toml")
print(case)

# %% Estimate: no straight line conforms, two points on the measured curve do
study = margin.estimate(case)
print(study)
study.error_over_load().savefig(FIGURES / "error-over-load.svg")
study.yield_by_option().savefig(FIGURES / "yield-by-option.svg")

# %% Worst case three ways: limits, root sum square, draws
print(study.worst_cases.query("option == @study.results.focus.name").to_string(index=False))
study.worst_case_over_load().savefig(FIGURES / "worst-case.svg")

# %% Budget: the measured scatter from placement to placement leads
option = study.results.focus.name
budget = margin.budget(case, option=option)
effects = budget.effects.query("option == @option and output == 'conformity margin' and by == 'cause'")
print(f"Effects on the conformity margin, '{option}':")
print(effects.sort_values("total", ascending=False)[["group", "main", "total"]].to_string(index=False))
budget.spread_over_load().savefig(FIGURES / "spread-over-load.svg")

# %% Change: the hysteresis that ascending passes cannot show, as a datasheet would state it
changed = margin.change(case, {"sensor.hysteresis": "0.05 % of full scale"})
print(changed)

# %% Compare: what that hysteresis would cost, on the same draws
pair = margin.compare(case, changed)
print(pair.differences.to_string(index=False))
pair.difference_by_option().savefig(FIGURES / "difference-by-option.svg")

# %% Next measurement: what a case that leaves the slow and unmeasured effects open would have measured first
effects = ("hysteresis", "creep", "zero_return")
unstated = margin.change(case, {f"sensor.{effect}": None for effect in effects})
again = margin.estimate(unstated)
print(again)
again.yield_by_cause().savefig(FIGURES / "yield-by-cause.svg")
