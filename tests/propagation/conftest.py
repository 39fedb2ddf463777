"""What tests of kept runs share."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from margin.backends import threads as running
from margin.backends.arrays import evaluate_blocks
from margin.propagation.model import Model
from margin.propagation.partial import BlockResult
from margin.propagation.plan import Block, Plan


@pytest.fixture
def drawn_units(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Units of every block that is drawn in this process, as it is drawn."""
    units: list[int] = []

    def counting(model: Model, plan: Plan, blocks: Sequence[Block]) -> list[BlockResult]:
        units.extend(block.count for block in blocks)
        return evaluate_blocks(model, plan, blocks)

    monkeypatch.setattr(running, "evaluate_blocks", counting)
    return units
