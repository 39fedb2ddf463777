"""A plan as text: the `[[calibration]]` table to paste into the case, and how to run it."""

from __future__ import annotations

import json

from margin.case import units
from margin.case.again import command_of
from margin.case.types import CalibrationSpec, Case
from margin.design.calibration_plan.result import Plan

_DIGITS = 6


def calibration_text(spec: CalibrationSpec) -> str:
    """The table of a calibration, as a case file has it; what is usual is left out."""
    lines = ["[[calibration]]", f"name = {_quoted(spec.name)}", f'kind = "{spec.kind}"']
    if spec.kind not in ("none", "classes"):
        lines.append(f'space = "{spec.space}"')
    if spec.loads:
        shown = ", ".join(f'"{units.show(load, "N", _DIGITS)}"' for load in spec.loads)
        lines.append(f"loads = [{shown}]")
    if spec.kind in ("multi-point", "lot-curve"):
        lines.append(f'fit = "{spec.fit}"' if spec.fit == "piecewise" else f"degree = {spec.degree}")
    usual = CalibrationSpec(spec.name, spec.kind)
    for key in ("reloads", "samples"):
        if (count := getattr(spec, key)) != getattr(usual, key):
            lines.append(f"{key} = {count}")
    for key in ("weights", "direction", "stage"):
        if (word := getattr(spec, key)) != getattr(usual, key):
            lines.append(f'{key} = "{word}"')
    lines += [f"{key} = true" for key in ("tare", "temperature_correction") if getattr(spec, key)]
    if spec.kind == "classes":
        lines.append(f"classes = {spec.classes}")
    return "\n".join(lines) + "\n"


def text_of(case: Case, plan: Plan) -> str:
    """What to paste into the file of the case, with a note where the dwell of the station changes too.

    An option that the case has already is commented out, so that pasting it does no harm.
    """
    table = calibration_text(plan.spec)
    if plan.spec in case.calibrations:
        noted = "".join(f"# {line}\n" for line in table.splitlines())
        return f"# an option of the case already: nothing to paste\n{noted}"
    if not plan.dwell_changed:
        return table
    return f'# and in [station]: dwell = "{units.show(plan.dwell, "s", _DIGITS)}"\n{table}'


def command_for(case: Case, plan: Plan) -> str:
    """The command that runs the case with the table pasted; a change of a value by `--change`.

    `--change` gives another value to a key that an option has, and cannot add an option: the table is pasted.
    """
    dwell = {"station.dwell": units.show(plan.dwell, "s", _DIGITS)} if plan.dwell_changed else {}
    return command_of(case, more=dwell)


def _quoted(name: str) -> str:
    """A basic string of TOML; its escapes are those of JSON."""
    return json.dumps(name, ensure_ascii=False)
