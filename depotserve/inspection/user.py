"""The user as whom a depot serves, and looking at things with that user's eyes."""

from __future__ import annotations

import contextlib
import grp
import json
import os
import pwd
from typing import TYPE_CHECKING, Callable, NoReturn, TypeVar

import attrs
import cattrs

from depotserve.errors import SurroundingsError

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.home import Home

__all__ = ["User", "first_closed_folder", "service_user", "user_name"]

_Seen = TypeVar("_Seen")
_MOST_SEEN = 1 << 20  # bytes; a survey names at most some dozen paths of 4096 bytes a kind


@attrs.frozen
class User:
    """A user of this machine."""

    uid: int
    gid: int

    @property
    def name(self) -> str:
        """Give the user's name, or its number where it has none."""
        return user_name(self.uid)

    @property
    def group(self) -> str:
        """Give the name of the user's own group, or its number."""
        with contextlib.suppress(KeyError):
            return grp.getgrgid(self.gid).gr_name
        return str(self.gid)

    @property
    def groups(self) -> list[int]:
        """Give all groups that the user is in."""
        with contextlib.suppress(KeyError):
            return os.getgrouplist(pwd.getpwuid(self.uid).pw_name, self.gid)
        return [self.gid]

    @property
    def is_me(self) -> bool:
        """Tell whether this process runs as that user."""
        return os.geteuid() == self.uid

    @property
    def is_within_reach(self) -> bool:
        """Tell whether this process can see with that user's eyes."""
        return self.is_me or os.geteuid() == 0

    def see(self, look: Callable[[], _Seen], kind: type[_Seen]) -> _Seen:
        """Give what `look` sees as this user, as a value of `kind`.

        A child process becomes the user for that, so that the kernel itself decides about modes,
        access lists and what a file server allows. Without the right to it, `look` sees as the
        user who asks. Raises SurroundingsError if nothing comes back.
        """
        if self.is_me or not self.is_within_reach:
            return look()
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            _become_and_tell(self, look, writing)
        os.close(writing)
        with open(reading, "rb") as stream:
            told = stream.read(_MOST_SEEN + 1)
        _, status = os.waitpid(child, 0)
        if status or len(told) > _MOST_SEEN:
            raise SurroundingsError(f"it cannot be looked at as user {self.name}")
        return cattrs.structure(json.loads(told), kind)


def service_user(home: Home) -> User:
    """Give the user as whom a home is served: the owner of HOME/state, which it writes.

    Where that folder is missing or cannot be seen, the owner of the log's, else of the home.
    Raises SurroundingsError where that cannot be seen either.
    """
    for folder in (home.state, home.log, home.root):
        with contextlib.suppress(OSError):
            status = os.stat(folder)
            return User(status.st_uid, _own_group(status.st_uid, status.st_gid))
    raise SurroundingsError("cannot be looked at", where=str(home.root))


def user_name(uid: int) -> str:
    """Give the name of a user, or the number where there is none."""
    with contextlib.suppress(KeyError):
        return pwd.getpwuid(uid).pw_name
    return str(uid)


def _own_group(uid: int, otherwise: int) -> int:
    with contextlib.suppress(KeyError):
        return pwd.getpwuid(uid).pw_gid
    return otherwise


def _become_and_tell(user: User, look: Callable[[], object], writing: int) -> NoReturn:
    """Be the user for good, look, and write what was seen as JSON: it is read by root."""
    status = 1
    try:
        os.setgroups(user.groups)
        os.setgid(user.gid)
        os.setuid(user.uid)
        seen = json.dumps(cattrs.unstructure(look())).encode()
        with open(writing, "wb") as stream:
            stream.write(seen)
        status = 0
    finally:
        # Nothing of the process that was forked may run on in this one, whatever happened.
        os._exit(status)


def first_closed_folder(path: Path) -> Path | None:
    """Name the first folder on the way to `path` that lets nobody through, as this user."""
    for folder in reversed(path.parents):
        if not os.access(folder, os.X_OK):
            # One that is not there is closed to nobody.
            return folder if os.path.lexists(folder) else None
    return None
