"""Memory of a block, kept for the next one."""

from __future__ import annotations

import ctypes
import sys
from functools import lru_cache

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_KEPT, _LARGEST = 1 << 28, 1 << 25


@lru_cache(maxsize=1)
def keep_freed_memory() -> bool:
    """Tell the C library to keep freed memory up to 256 MB instead of handing it back; whether it listened.

    Every block frees its arrays, and the next asks for as much again: memory handed back in between would be
    paged in and cleared anew, which costs as much as the arithmetic. GNU C library only (mallopt(3)); elsewhere
    nothing is changed. Holds for the whole process, once.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if mallopt is None:
        return False
    return bool(mallopt(_MMAP_THRESHOLD, _LARGEST)) and bool(mallopt(_TRIM_THRESHOLD, _KEPT))
