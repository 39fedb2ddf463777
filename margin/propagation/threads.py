"""Work spread over threads, its results in order and few of them waiting."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Task = TypeVar("Task")
Done = TypeVar("Done")


def in_threads(work: Callable[[Task], Done], tasks: Iterable[Task], workers: int) -> Iterable[Done]:
    """Results of `work` on `tasks`, in the order of the tasks; few wait at a time, so that memory stays bounded.

    On an exception or an interrupt what has not begun is dropped.
    """
    if workers == 1:
        for task in tasks:
            yield work(task)
        return
    pool = ThreadPoolExecutor(workers)
    waiting: deque[Future[Done]] = deque()
    try:
        for task in tasks:
            waiting.append(pool.submit(work, task))
            if len(waiting) >= 2 * workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def default_workers() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return max(os.cpu_count() or 1, 1)
