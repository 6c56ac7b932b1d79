"""Peak memory of this process, where the system can tell."""

from __future__ import annotations

import sys
from pathlib import Path


def forget_peak() -> None:
    """Start a new peak measurement where the system can (Linux); else nothing happens."""
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return


def peak_memory_mb() -> float | None:
    """Highest resident memory in MB (10⁶ bytes) since the last ``forget_peak``.

    Where the peak cannot be restarted (macOS, Windows) it is that of the process's life; None
    where the system does not say.
    """
    try:
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024 / 1e6
    except OSError:
        pass
    if sys.platform == "win32":
        return _windows_peak_mb()
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6


def _windows_peak_mb() -> float | None:
    import ctypes

    class Counters(ctypes.Structure):
        _fields_ = [
            ("size", ctypes.c_ulong),
            ("faults", ctypes.c_ulong),
            *[
                (name, ctypes.c_size_t)
                for name in (
                    "peak_set", "set", "quota_peak_paged", "quota_paged",
                    "quota_peak_other", "quota_other", "pagefile", "peak_pagefile",
                )
            ],
        ]  # fmt: skip

    counters = Counters()
    counters.size = ctypes.sizeof(counters)
    try:
        windll = ctypes.windll  # type: ignore[attr-defined,unused-ignore]
        call = windll.psapi.GetProcessMemoryInfo
        handle = windll.kernel32.GetCurrentProcess
        handle.restype = ctypes.c_void_p
        call.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_ulong]
        done = call(handle(), ctypes.byref(counters), counters.size)
    except (AttributeError, OSError):
        return None
    return counters.peak_set / 1e6 if done else None
