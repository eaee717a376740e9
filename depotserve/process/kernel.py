"""Two requests to the kernel and the C library for which Python has no call."""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import ctypes
    from collections.abc import Iterable, MutableMapping

__all__ = ["die_with_parent", "forget_variables"]

_PR_SET_PDEATHSIG = 1  # prctl(2)


def die_with_parent() -> None:
    """Have the kernel kill this process when the one that forked it ends.

    Where that cannot be had, the end of file on the channel to the supervisor has to do.
    """
    library = _c_library()
    if library is not None:
        library.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)


def forget_variables(environ: MutableMapping[bytes, bytes], names: Iterable[str]) -> None:
    """Remove environment variables from `environ`, and their text from /proc/PID/environ.

    sd_listen_fds(3) wants them unset for children; the text that the kernel shows is what the
    process was started with, so it has to be overwritten in place.
    """
    library = _c_library()
    for name in names:
        key = os.fsencode(name)
        if key in environ:
            length = len(environ[key])
            place = _place(library, key)
            del environ[key]
            if library is not None and place:
                _wipe(place - len(key) - 1, len(key) + 1 + length)


def _place(library: ctypes.CDLL | None, key: bytes) -> int:
    """Give the memory address of a variable's value, or 0."""
    if library is None:
        return 0
    import ctypes  # noqa: PLC0415

    library.getenv.restype = ctypes.c_void_p
    library.getenv.argtypes = [ctypes.c_char_p]
    return int(library.getenv(key) or 0)


def _wipe(place: int, length: int) -> None:
    import ctypes  # noqa: PLC0415

    ctypes.memset(place, 0, length)


def _c_library() -> ctypes.CDLL | None:
    """Give the C library, or nothing on a system whose protection keeps ctypes from loading."""
    try:
        import ctypes  # noqa: PLC0415

        return ctypes.CDLL(None, use_errno=True)
    except (ImportError, MemoryError, OSError):  # MemoryError: old libffi without W+X memory
        return None
