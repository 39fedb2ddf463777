"""The gripper case from its inputs to the next measurement and the first prototype, cell by cell.

Run it as a script, `python cases/gripper_amplifier/walk_through.py FOLDER` (figures go to FOLDER), or cell by cell in
an editor that knows `# %%`.
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

# %% Bench: the sensor of the case was fitted to these readings
bench = margin.characterise(HERE / "bench.csv", circuit="amplifier", interface="silicone")
print(bench)
bench.hysteresis_over_load().savefig(FIGURES / "bench-hysteresis.svg")
bench.spread_by_level().savefig(FIGURES / "bench-spread.svg")

# %% Estimate: which calibration suffices
study = margin.estimate(case)
print(study)
study.error_over_load().savefig(FIGURES / "error-over-load.svg")
study.yield_by_option().savefig(FIGURES / "yield-by-option.svg")

# %% Budget: what sets the error of the option that comes out best
option = study.results.focus.name
budget = margin.budget(case, option=option)
effects = budget.effects.query("option == @option and output == 'conformity margin' and by == 'cause'")
print(f"Effects on the conformity margin, '{option}':")
print(effects.sort_values("total", ascending=False)[["group", "main", "total"]].to_string(index=False))
budget.effects_by_cause(by="cause").savefig(FIGURES / "effects-by-cause.svg")
budget.effects_over_load().savefig(FIGURES / "effects-over-load.svg")

# %% Change: half the scatter from grip to grip, as a stiffer puck might bring
changed = margin.change(case, {"sensor.reload_scatter": "0.7 %"})
print(
    margin.estimate(changed, budget=False).yields[["option", "yield", "lower_bound"]].to_string(index=False)
)

# %% Compare: both cases on the same draws
pair = margin.compare(case, changed)
print(pair.differences.to_string(index=False))
pair.difference_by_option().savefig(FIGURES / "difference-by-option.svg")

# %% Next measurement: how many sensors, for how much narrower an interval
ahead = margin.characterise(
    HERE / "bench.csv", circuit="amplifier", interface="silicone", case=case, calibration=option
)
if ahead.outlook is not None:
    print(ahead.outlook.table.to_string(index=False))
    ahead.interval_over_sensors().savefig(FIGURES / "interval-over-sensors.svg")

# %% Prototype: a calibrated finger reads low; what is unusual about it, why, and what to test next
prototype = margin.diagnose(
    HERE / "prototype.csv", HERE / "case.toml", option="two points, 2 reloads, thermometer"
)
print(prototype)
prototype.error_over_load().savefig(FIGURES / "prototype-error.svg")
prototype.figures_by_position().savefig(FIGURES / "prototype-figures.svg")
