"""Listening sockets that a service manager opened before the depot began: sd_listen_fds(3)."""

from __future__ import annotations

import fcntl
import os
import socket
import stat
from ipaddress import ip_address
from typing import TYPE_CHECKING, Optional

import attrs

from depotserve.config import Listener
from depotserve.errors import CallerError, SurroundingsError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["VARIABLES", "assign", "descriptors", "take"]

VARIABLES = ("LISTEN_FDS", "LISTEN_PID", "LISTEN_FDNAMES")
_FIRST = 3  # SD_LISTEN_FDS_START
_MOST = 256  # more is a mistake, and each is a listener to keep
_FAMILIES = {socket.AF_INET, socket.AF_INET6, socket.AF_UNIX}

Place = Optional[tuple[str, int]]  # address and port; nothing for a socket in the file system


def descriptors(environ: Mapping[str, str], pid: int) -> range:
    """Give the descriptors that are handed over to process `pid`; none if they are another's.

    Raises CallerError if LISTEN_FDS or LISTEN_PID is no number in its bounds.
    """
    if "LISTEN_FDS" not in environ or "LISTEN_PID" not in environ:
        return range(0)
    if _number(environ, "LISTEN_PID", 1 << 32) != pid:
        return range(0)
    return range(_FIRST, _FIRST + _number(environ, "LISTEN_FDS", _MOST))


def take(handed_over: range) -> list[socket.socket]:
    """Give the sockets behind the descriptors, no longer inherited by other programs.

    Raises SurroundingsError for a descriptor that is no listening stream socket.
    """
    return [_take(descriptor) for descriptor in handed_over]


def assign(places: Sequence[Place], listeners: Sequence[Listener]) -> list[Listener]:
    """Give the listener that each handed-over socket stands for, by its place.

    The one with the same address and port counts; the sockets that are left take the listeners
    that are left, in order, and TLS where there are none any more.
    """
    found = [next((one for one in listeners if _is_at(one, place)), None) for place in places]
    rest = iter([one for one in listeners if one not in found])
    chosen = [one or next(rest, Listener(address="", port=0)) for one in found]
    return [
        attrs.evolve(one, address=place[0], port=place[1]) if place else one
        for one, place in zip(chosen, places)
    ]


def _number(environ: Mapping[str, str], name: str, most: int) -> int:
    text = environ[name]
    if not (text.isascii() and text.isdigit() and len(text) < _MOST and int(text) <= most):
        raise CallerError(
            f"{text[:20]!r} is no number of {'sockets' if name == 'LISTEN_FDS' else 'a process'}",
            where=name,
            allowed="the service manager sets it; unset it in a shell",
        )
    return int(text)


def _take(descriptor: int) -> socket.socket:
    fault = SurroundingsError(
        f"descriptor {descriptor}, which LISTEN_FDS hands over, is no listening stream socket",
        allowed="a socket unit needs ListenStream= and Accept=no",
    )
    try:
        if not stat.S_ISSOCK(os.fstat(descriptor).st_mode):
            raise fault
        found = socket.socket(fileno=descriptor)
        listening = found.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN)
    except OSError as error:
        raise fault from error
    if not listening or found.type != socket.SOCK_STREAM or found.family not in _FAMILIES:
        found.detach()
        raise fault
    fcntl.fcntl(descriptor, fcntl.F_SETFD, fcntl.FD_CLOEXEC)
    found.settimeout(0)
    return found


def _is_at(listener: Listener, place: Place) -> bool:
    """Tell whether a listener of the settings is meant to be at this place."""
    return (
        place is not None
        and listener.port == place[1]
        and ip_address(listener.address) == ip_address(place[0])
    )
