"""Who still uses the previous passphrase: an empty file a user whose mtime is the last use.

The service may write HOME/state only. A file's name is a digest of the user and the previous hash,
so that it says nothing about any other passphrase of that user, past or to come.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import logging
import os
import time
from collections import OrderedDict
from typing import TYPE_CHECKING, Callable

from depotserve.accounts import moments

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable
    from pathlib import Path

    from depotserve.accounts.hashes import Hash
    from depotserve.accounts.terms import Previous

__all__ = ["Watch", "last_use", "mark", "prune"]

_FOLDER = "previous"
_MARK_SECONDS = 60.0  # a user's use is marked no more often
_LOG_SECONDS = 3600.0  # a user's use from one address is logged no more often
_REMEMBERED = 1024  # users and addresses; the longest unheard of is forgotten
_log = logging.getLogger("depotserve.accounts")


def _path(state: Path, name: str, previous: Hash) -> Path:
    digest = hashlib.sha256(f"{name}:{previous.text}".encode()).hexdigest()
    return state / _FOLDER / digest


def mark(state: Path, name: str, previous: Hash) -> None:
    """Note that a user signed in by the previous passphrase just now.

    Raises nothing: a full disk must not keep a client out.
    """
    path = _path(state, name, previous)
    with contextlib.suppress(OSError):
        os.makedirs(path.parent, mode=0o700, exist_ok=True)
        flags = os.O_WRONLY | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
        os.close(os.open(path, flags, 0o600))
        os.utime(path)


def last_use(state: Path, name: str, previous: Hash) -> float | None:
    """Give when a user last signed in by the previous passphrase, in seconds since 1970.

    None if never, or if it cannot be read.
    """
    try:
        return os.stat(_path(state, name, previous), follow_symlinks=False).st_mtime
    except OSError:
        return None


def prune(state: Path, kept: Iterable[tuple[str, Hash]]) -> None:
    """Remove the notes about all but these users and previous hashes, where that is possible."""
    names = {_path(state, name, previous).name for name, previous in kept}
    with contextlib.suppress(OSError), os.scandir(state / _FOLDER) as found:
        for each in found:
            if each.name not in names:
                os.unlink(each.path)


class Watch:
    """Notes in HOME/state and in the log who still uses a previous passphrase, now and then."""

    def __init__(
        self,
        state: Path,
        later: Callable[[Callable[[], object]], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Note in the folder `state`; `later` runs what may wait for a disk."""
        self._state = state
        self._later = later
        self._clock = clock
        self._noted: OrderedDict[Hashable, float] = OrderedDict()

    def note(self, address: str, name: str, previous: Previous) -> None:
        """Note one use. Never waits."""
        if self._is_due((name,), _MARK_SECONDS):
            self._later(functools.partial(mark, self._state, name, previous.hash))
        if self._is_due((name, address), _LOG_SECONDS):
            _log.warning(
                "user %s at %s still uses the previous passphrase, which ends %s",
                name,
                address,
                moments.show(previous.until),
            )

    def _is_due(self, what: Hashable, seconds: float) -> bool:
        now = self._clock()
        last = self._noted.get(what)
        if last is not None and now - last < seconds:
            return False
        self._noted.pop(what, None)
        self._noted[what] = now
        if len(self._noted) > _REMEMBERED:
            self._noted.popitem(last=False)
        return True
