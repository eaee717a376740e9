"""The ports of the listeners, and how many connections the machine's limits leave room for."""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING

import attrs

from depotserve.cores import usable_cores
from depotserve.errors import SurroundingsError
from depotserve.inspection.finding import caution, fault, fine
from depotserve.process.faults import raise_descriptor_limit, why_fewer_connections
from depotserve.process.home_lock import holder
from depotserve.process.sockets import check_free

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.config import Listener
    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look", "look_at_descriptors"]

_TOPIC = "ports"
_NOT_OPEN = (
    "{place} is not open, although process {pid} serves this home",
    "restart the depot: listeners are opened at its start only",
)


@attrs.frozen
class _Tried:
    """What came of asking for a port: nothing, or why not and what to do."""

    number: int = 0
    what: str = ""
    advice: str = ""


def look(scene: Scene) -> Iterator[Finding]:
    """Try each listener's port as the user who serves, unless this home is served already."""
    pid = holder(scene.home)
    for listener in scene.settings.listeners:
        tried = scene.service.see(lambda one=listener: _try(one), _Tried)  # type: ignore[misc]
        if _is_left_out(scene, listener, tried):
            yield fine(_TOPIC, f"{_place(listener)}: left out, since this machine has no IPv6")
        else:
            yield _of_running(listener, tried, pid) if pid else _of_stopped(listener, tried)


def _is_left_out(scene: Scene, listener: Listener, tried: _Tried) -> bool:
    """Tell whether the depot would start without this listener."""
    beside_others = listener.address == "::" and len(scene.settings.listeners) > 1
    return beside_others and tried.number == errno.EAFNOSUPPORT


def _try(listener: Listener) -> _Tried:
    try:
        check_free(listener)
    except SurroundingsError as error:
        number = getattr(error.__cause__, "errno", None)
        return _Tried(number or errno.EIO, f"{error.where}: {error.what}", error.allowed)
    return _Tried()


def _place(listener: Listener) -> str:
    return f"{listener.address} port {listener.port}"


def _of_running(listener: Listener, tried: _Tried, pid: str) -> Finding:
    place = _place(listener)
    if listener.port == 0 or tried.number in (errno.EADDRINUSE, errno.EACCES):
        return fine(_TOPIC, f"{place}: served by process {pid}")
    if tried.number:
        return fault(_TOPIC, tried.what, tried.advice)
    text, advice = _NOT_OPEN
    return caution(_TOPIC, text.format(place=place, pid=pid), advice)


def _of_stopped(listener: Listener, tried: _Tried) -> Finding:
    if not tried.number:
        free = "free" if listener.port else "any that is free"
        return fine(_TOPIC, f"{_place(listener)}: {free}")
    # The service's unit may give the right to low ports, which a user alone has not.
    grade = caution if tried.number == errno.EACCES else fault
    return grade(_TOPIC, tried.what, tried.advice)


def look_at_descriptors(scene: Scene) -> Iterable[Finding]:
    """Hold `limits.connections` against the descriptors that a process may open here."""
    raise_descriptor_limit()  # as the depot does at its start
    workers = scene.settings.workers or usable_cores()
    few = why_fewer_connections(scene.settings.limits.connections, workers)
    if few:
        advice = "set LimitNOFILE=65536 in the service's unit, or a lower limits.connections"
        yield caution("descriptors", few, advice)
