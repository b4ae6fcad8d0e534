"""Memory that was used goes back to the system."""

from __future__ import annotations

import contextlib
import ctypes
import functools


@functools.cache
def give_back() -> None:
    """Have glibc give large buffers back: frames come and go, and its heap keeps their holes."""
    with contextlib.suppress(OSError, AttributeError, TypeError):  # another C library
        # M_ARENA_MAX, M_MMAP_THRESHOLD and M_TRIM_THRESHOLD, bytes: mallopt(3).
        for limit in ((-8, 2), (-3, 32 << 10), (-1, 0)):
            ctypes.CDLL(None).mallopt(*limit)
