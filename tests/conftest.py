"""Stands here so that what lies beside it (`pad_study`) can be imported by the tests of every folder."""

from __future__ import annotations

import os
from collections.abc import Iterator

import hypothesis
import pytest

# A machine that is busy with something else fails no test: how long an example takes says nothing about its law.
hypothesis.settings.register_profile("margin", deadline=None)
hypothesis.settings.load_profile("margin")


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Compiled kernels of the tests, and of processes that they start, are kept apart from the user's."""
    before = os.environ.get("MARGIN_CACHE")
    os.environ["MARGIN_CACHE"] = str(tmp_path_factory.mktemp("cache"))
    yield
    if before is None:
        del os.environ["MARGIN_CACHE"]
    else:
        os.environ["MARGIN_CACHE"] = before
