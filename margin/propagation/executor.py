"""Contract of a way of computing: chunks of a study in, their counts out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from margin.propagation.model import Model
from margin.propagation.partial import BlockResult
from margin.propagation.plan import Block, Plan


class Executor(Protocol):
    """Who evaluates the chunks of a study."""

    def evaluate(
        self, model: Model, plan: Plan, chunks: Iterable[Block], size: int
    ) -> Iterable[tuple[Block, BlockResult]]:
        """Each chunk with its result or, in the order of its units, with the results of parts of it.

        size  units in a block that is evaluated at once
        """
