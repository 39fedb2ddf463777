"""The results as a JSON document: tidy records, a format version, and no number that JSON does not know.

What is not finite becomes null, and its place and reason stand in the list `undetermined`.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from distributions.errors import MarginError
from margin.case.types import Case, ElementSpec, Spread
from margin.estimates.findings import findings_of
from margin.estimates.results import Results
from margin.estimates.shares import FAILING
from margin.messages.requirement import requirement_in_words
from margin.messages.sentences import said
from margin.report import frames

FORMAT = "margin results"
VERSION = 1


class UnreadableResults(MarginError, ValueError):
    """A file that is not a results document, or one of another version."""


def to_document(
    results: Results, files: tuple[str, ...] = (), shown: Sequence[dict[str, Any]] = ()
) -> dict[str, Any]:
    """The whole study as plain data.

    files  names of what is written beside it
    shown  words and numbers of the page in its own digits, of `words_shown`
    """
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "case": _case(results.case),
        "computed": {
            "units": results.units,
            "outer": results.outer,
            "seed": results.seed,
            "version": results.version,
            "confidence": results.case.requirement.confidence,
            "looks": results.looks,
            "lots": results.lots,
            "confidence_of_yields": results.confidence,
            "path": results.path,
            "uncompiled": results.uncompiled,
        },
        "conforms": results.conforms,
        "verdict": results.verdict,
        "recommendation": {
            "option": results.recommendation.option,
            "why": said(results.recommendation.reason),
            "obstacles": [said(each) for each in results.recommendation.obstacles],
            "undecided": list(results.recommendation.undecided),
        },
        "findings": [each.to_dict() for each in findings_of(results)],
        "advice": None if results.advice is None else dataclasses.asdict(results.advice),
        "options": records(frames.yields_frame(results)),
        "yields": records(frames.all_yields_frame(results)),
        "errors": records(frames.errors_frame(results)),
        "worst_case": records(frames.worst_case_frame(results)),
        "extremes": records(frames.extremes_frame(results)),
        "convergence": records(frames.convergence_frame(results)),
        "limit_curve": records(frames.limit_curve_frame(results)),
        "saturation": records(frames.saturation_frame(results)),
        "budget": records(results.budget),
        "effects": [] if results.shares is None else effect_records(results.shares.effects),
        "scopes": [] if results.shares is None else records(results.shares.scopes),
        "checks": records(frames.checks_frame(results)),
        "samples": records(results.samples),
        "cautions": list(results.cautions),
        "shown": list(shown),
    }
    return with_undetermined(plain)


def effect_records(effects: pd.DataFrame) -> list[dict[str, Any]]:
    """Effects of causes as records; failing units alone have a part that is cured."""
    return [
        {key: value for key, value in row.items() if row["output"] == FAILING or not key.startswith("cured")}
        for row in records(effects)
    ]


def with_undetermined(plain: dict[str, Any]) -> dict[str, Any]:
    """`plain` with null for what is not finite, and under `undetermined` the place and reason of each."""
    undetermined: list[dict[str, str]] = []
    document: dict[str, Any] = _finite(plain, "", undetermined)
    document["undetermined"] = undetermined
    return document


def to_json(document: dict[str, Any]) -> str:
    """The document as text; ValueError if a number in it is not finite."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def load_results_json(path: str | Path) -> dict[str, Any]:
    """Read back a results document; UnreadableResults if it is none or of another version."""
    try:
        document = json.loads(Path(path).read_text(encoding="utf-8"))
    except (json.JSONDecodeError, UnicodeDecodeError) as error:
        raise UnreadableResults(f"{path}: not JSON ({error}); give the results.json of a report") from error
    found = document.get("format") if isinstance(document, dict) else None
    if not isinstance(found, dict) or found.get("name") != FORMAT:
        raise UnreadableResults(f"{path}: not a results document; give the results.json of a report")
    if found.get("version") != VERSION:
        raise UnreadableResults(
            f"{path}: version {found.get('version')!r} of the format, this program reads version {VERSION}; "
            "run the study again or use the program that wrote it"
        )
    return dict(document)


def _case(case: Case) -> dict[str, Any]:
    return {
        "name": case.name,
        "notes": case.notes,
        "data": case.data,
        "load_low_N": case.load_low,
        "load_high_N": case.load_high,
        "check_loads_N": list(case.check_loads),
        "requirement": {
            **dataclasses.asdict(case.requirement),
            "in_words": list(requirement_in_words(case)),
        },
        "elements": [_element(element) for element in case.elements.values()],
        "conditions": [condition.name for condition in case.conditions],
        "calibrations": [dataclasses.asdict(spec) for spec in case.calibrations],
        "dependences": [dataclasses.asdict(dependence) for dependence in case.dependences],
        "study": dataclasses.asdict(case.study),
        "defaults": list(case.defaults),
        "readings": list(case.readings),
        "assumed": list(case.assumed),
    }


def _element(element: ElementSpec) -> dict[str, Any]:
    return {
        "role": element.role,
        "kind": element.kind,
        "options": {name: _simple(value) for name, value in element.options.items()},
        "quantities": [
            {
                "name": quantity.name,
                "nominal_SI": quantity.nominal,
                "shown_in": quantity.unit,
                "defaulted": quantity.defaulted,
                "spreads": [_spread(spread) for spread in quantity.spreads],
            }
            for quantity in element.quantities.values()
        ],
    }


def _spread(spread: Spread) -> dict[str, Any]:
    return {
        "level": spread.level,
        "distribution": spread.distribution.describe(),
        "relative": spread.relative,
        "read_as": spread.read_as,
        "measured_on": spread.measured_on,
    }


def _simple(value: Any) -> Any:
    if isinstance(value, (bool, int, float, str)) or value is None:
        return value
    if isinstance(value, (tuple, list)):
        return [_simple(part) for part in value]
    return str(value)


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A frame row by row."""
    return [{str(key): value for key, value in row.items()} for row in frame.to_dict("records")]


def _finite(value: Any, place: str, undetermined: list[dict[str, str]]) -> Any:
    """`value` with plain Python types and null for what is not finite, whose place is noted."""
    if isinstance(value, dict):
        return {key: _finite(part, f"{place}.{key}".lstrip("."), undetermined) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(part, f"{place}[{i}]", undetermined) for i, part in enumerate(value)]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        undetermined.append({"place": place, "reason": _reason(place, value)})
        return None
    if value is None and place.rsplit(".", 1)[-1] in _STATED_REASONS:
        undetermined.append({"place": place, "reason": _reason(place, math.nan)})
    return value


_STATED_REASONS = {
    "p95_abs_reading": "no percentage of reading at zero load",
    "limit": "no limit to hold against",
    "margin": "no limit to hold against",
    "knowledge_low": "nothing varies at the levels common and station",
    "knowledge_high": "nothing varies at the levels common and station",
    "lots_low": "nothing varies from lot to lot",
    "lots_high": "nothing varies from lot to lot",
}


def _reason(place: str, value: float) -> str:
    if math.isinf(value):
        return "without limit"
    return _STATED_REASONS.get(place.rsplit(".", 1)[-1], "not determined by the draws")
