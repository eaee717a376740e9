"""The content: there, mounted, and readable to the user who serves it."""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING

from depotserve import config
from depotserve.inspection.finding import caution, command, fault, fine, some
from depotserve.inspection.mounts import unmounted
from depotserve.inspection.user import first_closed_folder
from depotserve.survey import Kind, Survey, survey

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.config import Mount
    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look"]

_TOPIC = "content"
_READ_FOLDERS = "find {root} -type d -exec chmod {to}+rx {{}} +"
_READ_FILES = "find {root} -type f -exec chmod {to}+r {{}} +"
# What stops readers: its words, and the advice about it.
_FAULTS = {
    Kind.BROKEN: (
        "the disk does not give some names in {root}: {count} ({first})",
        "dmesg says why",
    ),
    Kind.CLOSED_FOLDER: (
        "{count} folders in {root} cannot be listed, so readers cannot either: {first}",
        _READ_FOLDERS,
    ),
    Kind.CLOSED_FILE: ("{user} cannot read some files in {root}: {count} ({first})", _READ_FILES),
}
_NOTES = {
    Kind.LEFT_OUT: "hidden by never_serve in {root}: {count} ({first})",
    Kind.DANGLING: "links in {root} that lead to nothing, never served: {count} ({first})",
    Kind.ASTRAY: (
        "links in {root} that lead out of it or to hidden names, never served: {count} ({first})"
    ),
}


def look(scene: Scene) -> Iterator[Finding]:
    """Look through every mount, as the user who serves it."""
    for mount in scene.settings.content:
        obstacle = _obstacle(scene, mount)
        if obstacle is not None:
            yield obstacle
            continue
        yield fine(_TOPIC, f"{mount.url}: {mount.path}")
        yield from _inside(scene, mount)


def _obstacle(scene: Scene, mount: Mount) -> Finding | None:
    """Give the first thing for which a mount's root cannot be served at all."""
    where = f"{mount.url}: {mount.path}"
    point = unmounted(mount.path)
    if point:
        return fault(_TOPIC, f"{where}: nothing is mounted at {point}", command("mount", point))
    closed = scene.service.see(lambda: _way(mount.path), str)
    if closed:
        text = f"{where}: {scene.eyes} cannot pass through {closed}"
        return fault(_TOPIC, text, command("chmod", "o+x", closed))
    reason = scene.service.see(lambda: config.why_unlistable(mount.path), str)
    return fault(_TOPIC, f"{where}: {reason}", _way_in(mount, reason)) if reason else None


def _way(path: Path) -> str:
    """Name the first folder on the way that lets nobody through, links resolved; or nothing."""
    return str(first_closed_folder(path) or first_closed_folder(path.resolve()) or "")


def _way_in(mount: Mount, reason: str) -> str:
    if reason == os.strerror(errno.EACCES):
        return command("chmod", "o+rx", mount.path)
    return f"put the folder there, or set another path in depot.yaml line {mount.line}"


def _inside(scene: Scene, mount: Mount) -> Iterator[Finding]:
    hidden = scene.settings.never_serve
    found = scene.service.see(lambda: survey(mount.path, hidden), Survey)
    if found.is_empty:
        text = f"{mount.path} is empty"
        yield caution(_TOPIC, text, "put the content there; if it is a disk or share, mount it")
    yield from _unreadable(scene, mount.path, found)
    yield from _suspects(mount.path, found)
    for kind, words in _NOTES.items():
        if found.tallies[kind].count:
            yield fine(_TOPIC, words.format(**_said(scene, mount.path, found, kind)))


def _said(scene: Scene, root: Path, found: Survey, kind: Kind) -> dict[str, str]:
    tally = found.tallies[kind]
    first = some(tally.first, tally.count)
    return {
        "count": str(tally.count),
        "root": str(root),
        "user": scene.eyes,
        "first": first,
    }


def _unreadable(scene: Scene, root: Path, found: Survey) -> Iterator[Finding]:
    for kind, (words, advice) in _FAULTS.items():
        if found.tallies[kind].count:
            text = words.format(**_said(scene, root, found, kind))
            to = "u" if os.stat(root).st_uid == scene.service.uid else "o"
            yield fault(_TOPIC, text, advice.format(root=command(root), to=to))


def _suspects(path: Path, found: Survey) -> Iterator[Finding]:
    for item in found.named:
        text = f"{path}/{item.path} looks like a password or key"
        if item.served:
            advice = "take it out of the tree, or add its name to never_serve in depot.yaml"
            yield caution(_TOPIC, f"{text}; readers can get it", advice)
        else:
            yield fine(_TOPIC, f"{text}; never served")
    more = found.served + found.hidden - len(found.named)
    if more:
        text = f"{more} more names in {path} look like passwords or keys"
        yield caution(_TOPIC, text, "see to those named above, and inspect again")
