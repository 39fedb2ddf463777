"""Stands here so that what lies beside it (`pad_study`) can be imported by the tests of every folder."""

from __future__ import annotations

import gc
import os

# Two processes of tests on two cores: threads of the linear algebra beside them would only wait for each other. It is
# read when numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Iterator

import hypothesis
import pytest

# A machine that is busy with something else fails no test: how long an example takes says nothing about its law.
hypothesis.settings.register_profile("margin", deadline=None)
hypothesis.settings.load_profile("margin")


# Thousands of tests are collected and kept: going through them for garbage again and again finds none.
gc.disable()


def pytest_collection_finish() -> None:
    """What was collected stays to the end; from here on there is garbage."""
    gc.freeze()
    gc.enable()


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


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages whose words alone are looked at, with empty figures."""
    from margin.report import figures, style

    empty = '<svg width="1" height="1" viewBox="0 0 1 1"></svg>'
    monkeypatch.setattr(style, "svg", lambda figure, name: empty.replace("<svg", f'<svg id="{name}"'))
    for name in ("error_over_load", "error_by_condition", "worst_case_ways", "yield_against_limit"):
        monkeypatch.setattr(figures, name, lambda *args, **kwargs: style.axes_of(None))
