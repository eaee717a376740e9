"""What a home needs of its file system, tried as the user who serves it."""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING

import attrs

from depotserve import filesystem
from depotserve.inspection.finding import caution, command, fault, fine

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look"]

_TOPIC = "file system"
_TELLING = {"settings", "service user"}  # at fault, they have named what lets nobody get here
_NO_WAY = (errno.EACCES, errno.EPERM, errno.ENOENT, errno.ENOTDIR)
_KIND = "move the home to a disk with a file system of this machine's own kind (ext4, xfs)"
_QUOTA = "give user {user} a larger quota on this disk, or free some of it"
_GONE = "install -d -m 0700 -o {user} {state}"
_RIGHT = "chown {user} {state} && chmod u+rwx {state}"
_REACH = "run inspect as root, or as {user}, who serves this home"
_OTHER = "see to the disk: dmesg says what is wrong with it"
_ADVICE = {
    errno.EDQUOT: _QUOTA,
    errno.ENOENT: _GONE,
    errno.ENOTDIR: "put a folder in the place of {state}",
    errno.EACCES: _RIGHT,
    errno.EPERM: _RIGHT,
}


@attrs.frozen
class _Trial:
    lacks: tuple[str, ...]
    refused: int  # the error number for which nothing could be tried, or 0


def look(scene: Scene) -> Iterator[Finding]:
    """Try modes, renames, locks and syncs in HOME/state."""
    tried = scene.service.see(lambda: _try(scene), _Trial)
    for lack in tried.lacks:
        yield fault(_TOPIC, f"cannot {lack}", _KIND)
    is_told = tried.refused in _NO_WAY and bool(_TELLING & scene.at_fault)
    if tried.refused and not is_told:
        yield _refused(scene, tried.refused)
    elif not tried.lacks and not is_told:
        yield fine(_TOPIC, "keeps modes, renames, locks and syncs")


def _try(scene: Scene) -> _Trial:
    try:
        return _Trial(filesystem.shortcomings(scene.home.state), 0)
    except OSError as error:
        return _Trial((), error.errno or errno.EIO)


def _refused(scene: Scene, number: int) -> Finding:
    user, state = scene.service, scene.home.state
    text = f"not tried: {state}: {os.strerror(number)}"
    if number == errno.EACCES and not user.is_within_reach:
        return caution(_TOPIC, text, _REACH.format(user=user.name))
    advice = _ADVICE.get(number, _OTHER)
    return fault(_TOPIC, text, advice.format(user=user.name, state=command(state)))
