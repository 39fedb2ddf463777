"""Work spread over threads, its results in order and few of them waiting."""

from __future__ import annotations

import os
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from functools import cache
from typing import TypeVar

from threadpoolctl import ThreadpoolController

Task = TypeVar("Task")
Done = TypeVar("Done")

SWITCH_INTERVAL = 1e-4
"""s after which a waiting thread asks for the interpreter. Steps on small arrays take microseconds, and some on large
ones keep it: with the 5 ms that Python waits by default a small study on two threads takes as long as on one."""


def in_threads(work: Callable[[Task], Done], tasks: Iterable[Task], workers: int) -> Iterable[Done]:
    """Results of `work` on `tasks`, in the order of the tasks; few wait at a time, so that memory stays bounded.

    On an exception or an interrupt what has not begun is dropped.
    """
    if workers == 1:
        with own_threads_alone():
            for task in tasks:
                yield work(task)
        return
    pool = ThreadPoolExecutor(workers)
    waiting: deque[Future[Done]] = deque()
    with _impatience, own_threads_alone():
        try:
            for task in tasks:
                waiting.append(pool.submit(work, task))
                if len(waiting) >= 2 * workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


@cache
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()


def own_threads_alone() -> AbstractContextManager[object]:
    """No threads of a linear algebra library within: with small products they wait for each other a hundred times
    longer than the products take."""
    found: AbstractContextManager[object] = _libraries().limit(limits=1, user_api="blas")
    return found


class _Impatience:
    """Waiting threads ask for the interpreter after a shorter time, for as long as any work is spread over threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._users = 0
        self._before = 0.0

    def __enter__(self) -> None:
        with self._lock:
            if self._users == 0:
                self._before = sys.getswitchinterval()
                sys.setswitchinterval(min(SWITCH_INTERVAL, self._before))
            self._users += 1

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._users -= 1
            if self._users == 0:
                sys.setswitchinterval(self._before)


_impatience = _Impatience()


def default_workers() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return max(os.cpu_count() or 1, 1)
