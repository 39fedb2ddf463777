"""Documents of results over age, of endurance data and of qualification tests keep their shipped JSON Schemas."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, pad_case
from test_endurance import LIVES, drift_text

import margin
from margin.report import age_page, endurance_page
from margin.report.document import to_json

AGEING = {"sensitivity": "4 uS +/- 2 %", "ageing": "1 % +/- 1 %"}


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, tuple[Path, list[dict[str, Any]]]]:
    """Path of each schema, and documents of every form that it has, made once."""
    folder = tmp_path_factory.mktemp("documents")
    (folder / "lives.csv").write_text(LIVES, encoding="utf-8")
    (folder / "drift.csv").write_text(drift_text(np.array([0.01, 0.02, 0.015]), 0.001), encoding="utf-8")
    lives, drift = margin.endurance(folder / "lives.csv"), margin.endurance(folder / "drift.csv")
    assert isinstance(lives, margin.LifeStudy) and isinstance(drift, margin.DriftStudy)
    plans = [margin.qualify(0.95, 0.9), margin.qualify(0.9, 0.9, shape=1.7, durations=(1, 2), tested=22)]
    aged = [
        margin.age(pad_case(NONE, ONE_POINT, sensor=sensor, study={"units": 200}), option, years=2, points=3)
        for sensor, option in ((AGEING, "one-point"), ({"sensitivity": "4 uS"}, "none"))
    ]
    found = {
        "age": [age_page.document(each.found, each.command) for each in aged],
        "endurance": [
            endurance_page.endurance_document(lives.name, lives.found, lives.fits, lives.lives),
            endurance_page.endurance_document(drift.name, drift.found, (), drift.rates),
        ],
        "qualification": [endurance_page.qualification_document(each.found) for each in plans],
    }
    paths = {
        "age": age_page.schema_path(),
        "endurance": endurance_page.schema_path("endurance"),
        "qualification": endurance_page.schema_path("qualification"),
    }
    return {name: (paths[name], [json.loads(to_json(each)) for each in all_]) for name, all_ in found.items()}


@pytest.mark.parametrize("name", ["age", "endurance", "qualification"])
def test_documents_keep_their_schema(
    name: str, written: Mapping[str, tuple[Path, list[dict[str, Any]]]]
) -> None:
    """Each form validates; a document without a key, or with a share above 1, does not."""
    path, found = written[name]
    schema = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for document in found:
        validator.validate(document)
        for key in schema["required"]:
            assert not validator.is_valid({other: value for other, value in document.items() if other != key})
    wrong = {
        "age": {"new_bad": 1.1},
        "endurance": {"rows": [{"unit": "a"}]},
        "qualification": {"confidence": 1.1},
    }
    assert not validator.is_valid({**found[0], **wrong[name]})
