"""Memory given back to the system between large pieces of work, so that a laptop keeps room."""

from __future__ import annotations

import sys


def give_back_freed() -> None:
    """Return freed memory to the system where the C library keeps it (glibc): frames and
    catalogues are large, and the pieces between two of them add up."""
    import ctypes

    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)
