"""Progress of long computations: what begins, how much of it there is, and the counter of what is done."""

from __future__ import annotations

from collections.abc import Callable

Stage = Callable[[str, int], Callable[[int], None]]
"""Called with what begins and how much of it there is; gives the function that counts progress."""


def no_progress(title: str, total: int) -> Callable[[int], None]:
    """A stage that nobody watches."""
    return lambda done: None
