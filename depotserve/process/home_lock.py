"""One running depot a home: a lock that names its holder."""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from depotserve.errors import CallerError, SurroundingsError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.home import Home

__all__ = ["hold_home", "holder"]

_LONGEST_PID = 20  # digits


@contextmanager
def hold_home(home: Home) -> Iterator[None]:
    """Hold HOME/state/serve.lock, with this process's number in it, until the block ends.

    Workers inherit the lock, so the home is free only when the last of them has ended.
    Raises CallerError naming the process that holds it already, SurroundingsError if the lock
    cannot be opened.
    """
    path = home.lock("serve")
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    except OSError as error:
        raise SurroundingsError(
            error.strerror or "cannot be opened",
            where=str(path),
            allowed="the depot's user must be able to write HOME/state",
        ) from error
    try:
        _take(descriptor, home)
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(descriptor)


def holder(home: Home) -> str:
    """Give the number of the process that serves a home; empty if nobody does, or none can tell.

    The lock is shared for an instant to see that, and only where it is free.
    """
    try:
        descriptor = os.open(home.lock("serve"), os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError:
        return ""
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return os.pread(descriptor, _LONGEST_PID, 0).decode("ascii", "replace").strip()
    except OSError:
        return ""
    finally:
        os.close(descriptor)
    return ""


def _take(descriptor: int, home: Home) -> None:
    """Lock the open file, or raise the error that says who has it."""
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        holder = os.pread(descriptor, _LONGEST_PID, 0).decode("ascii", "replace").strip()
        raise CallerError(
            f"is already served by process {holder or 'unknown'}",
            where=str(home.root),
            allowed=f"stop that one first (kill {holder or 'PID'})",
        ) from error
    except OSError as error:
        raise SurroundingsError(
            f"cannot be locked: {error.strerror}", where=str(home.lock("serve"))
        ) from error
