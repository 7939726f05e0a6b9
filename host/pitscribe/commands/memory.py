"""How a process that runs for weeks gives memory back."""

import contextlib
import ctypes

_M_MMAP_THRESHOLD = -3  # mallopt(3)
_LARGE_BYTES = 128 * 1024  # glibc's own start value; arrays of a cook's length are larger


def give_large_arrays_back() -> None:
    """Have glibc return every large array to the system when it is freed.

    By itself glibc raises the size from which it does so each time one is freed; arrays that grow with the cook then
    come from a heap that keeps the holes of the shorter ones. On a system with another C library this does nothing.
    """
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL("libc.so.6").mallopt(_M_MMAP_THRESHOLD, _LARGE_BYTES)
