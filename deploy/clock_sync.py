"""Whether anybody sets this machine's clock, as the kernel knows it."""

import ctypes
import sys

_UNSYNCHRONISED = 0x0040
"""The kernel's mark for a clock that nobody disciplines [adjtimex(2), STA_UNSYNC]."""
_STRUCT_BYTES = 512
"""More than any `struct timex` takes; its status field is found by its offset."""


def synchronised() -> bool | None:
    """Return whether a time service sets the clock; None where the system does not say."""
    if not sys.platform.startswith("linux"):
        return None
    buffer = (ctypes.c_byte * _STRUCT_BYTES)()
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(buffer))
    except (OSError, AttributeError):
        return None
    if state < 0:
        return None
    # modes (int, padded), offset, freq, maxerror, esterror (long each), status (int)
    offset = 5 * ctypes.sizeof(ctypes.c_long)
    status = ctypes.c_int.from_buffer(buffer, offset).value
    return not status & _UNSYNCHRONISED
