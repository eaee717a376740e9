"""What the user who serves a home can read and change of it, seen with that user's eyes."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import attrs

from depotserve.inspection.finding import caution, command, fault, fine, some
from depotserve.inspection.user import first_closed_folder, user_name
from depotserve.process.snapshot import needs_certificate

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look"]

_TOPIC = "service user"


@attrs.frozen
class _Sight:
    """Paths that stand in the way of reading what the depot needs, and what can be changed."""

    closed: tuple[str, ...]  # the uppermost folder that lets nobody through, else the file
    sealed: tuple[str, ...]  # folders that ought to be written and cannot be
    open: tuple[str, ...]  # what should only be read and can be changed
    content: tuple[str, ...]  # roots of content that can be changed
    needless: tuple[str, ...]  # secrets that a depot does not need and its user can read


def look(scene: Scene) -> Iterator[Finding]:
    """Tell what the service's user lacks, and what it has and should not have."""
    if not scene.service.is_within_reach:
        yield _other_eyes(scene)
        return
    sight = scene.service.see(lambda: _see(scene), _Sight)
    found = [*_lacks(scene, sight)]
    if scene.is_shared:
        found += _excess(scene, sight)
    yield from found
    yield from _unseen(scene, sight)
    if not found:
        yield fine(_TOPIC, _who(scene))


def _who(scene: Scene) -> str:
    name = scene.service.name
    if scene.is_shared:
        return f"{name} can read what it needs, and change nothing but state and log"
    return f"{name} serves this home and can change all of it"


def _see(scene: Scene) -> _Sight:
    """Look, as the service's user."""
    home = scene.home
    needed = [home.settings, home.users, home.terms]
    if needs_certificate(scene.settings):
        needed += [home.certificate, home.key]
    guarded = [home.root, home.settings, home.users.parent, home.users, home.terms]
    guarded += [home.key.parent, home.certificate, home.key, home.authority, home.anchors]
    secrets = (home.authority_key, home.next_authority_key, home.request_key)
    return _Sight(
        closed=_closed([*needed, *_written(scene)]),
        sealed=tuple(str(one) for one in _written(scene) if _is_sealed(one)),
        open=tuple(str(one) for one in guarded if _can_change(one)),
        content=tuple(str(one.path) for one in scene.settings.content if _can_change(one.path)),
        needless=tuple(str(one) for one in secrets if os.access(one, os.R_OK)),
    )


def _written(scene: Scene) -> tuple[Path, ...]:
    if "disk" in scene.at_fault:  # read-only, so that nobody can write it
        return ()
    logs = scene.settings.access_log.to == "file"
    return (scene.home.state, scene.home.log) if logs else (scene.home.state,)


def _is_sealed(folder: Path) -> bool:
    """Tell whether this user gets to a folder and cannot write it."""
    return first_closed_folder(folder) is None and not os.access(folder, os.W_OK | os.X_OK)


def _closed(paths: list[Path]) -> tuple[str, ...]:
    """Name each thing for which a file cannot be read; one that is not there is another topic."""
    found = []
    for path in paths:
        folder = first_closed_folder(path)
        if folder is not None:
            found.append(str(folder))
        elif os.path.isfile(path) and not os.access(path, os.R_OK):
            found.append(str(path))
    return tuple(dict.fromkeys(found))


def _can_change(path: Path) -> bool:
    """Tell whether this user can write a path, or give itself the right to: its owner can."""
    try:
        return os.stat(path).st_uid == os.geteuid() or os.access(path, os.W_OK)
    except OSError:
        return False


def _lacks(scene: Scene, sight: _Sight) -> Iterator[Finding]:
    user = scene.service
    for path in sight.closed:
        text = f"{user.name} cannot read {path}, so the depot cannot start"
        if os.path.isdir(path):
            text = f"{user.name} cannot pass through {path}, so the depot cannot start"
        yield fault(_TOPIC, text, _opened(scene, path))
    for path in sight.sealed:
        missing = "is not there" if not os.path.lexists(path) else "cannot be written by it"
        advice = command("install", "-d", "-m", "0750", "-o", user.name, path)
        yield fault(_TOPIC, f"{user.name} writes {path}, which {missing}", advice)


def _opened(scene: Scene, path: str) -> str:
    """Say how a service gets the right to one path and no other user does."""
    if os.stat(path).st_uid == scene.service.uid:
        return command("chmod", "u+rX", path)
    right = "g+x" if os.path.isdir(path) else "g+r"
    given = command("chgrp", scene.service.group, path)
    return f"{given} && {command('chmod', right, path)}"


def _excess(scene: Scene, sight: _Sight) -> Iterator[Finding]:
    """Name rights beyond those of a service that whoever took it over could use."""
    owner = user_name(scene.home.root.stat().st_uid)
    if sight.open:
        text = f"{scene.service.name} can change {some(sight.open)}, which it should only read"
        given = command("chown", f"{owner}:{scene.service.group}", *sight.open)
        yield caution(_TOPIC, text, f"{given} && {command('chmod', 'g=rX,o=', *sight.open)}")
    if sight.content:
        text = f"{scene.service.name} can change {some(sight.content)}, which it serves"
        yield caution(_TOPIC, text, command("chown", "-R", owner, *sight.content))
    if sight.needless:
        text = f"{scene.service.name} can read {some(sight.needless)}, which no depot needs"
        given = command("chown", owner, *sight.needless)
        yield caution(_TOPIC, text, f"{given} && {command('chmod', '0600', *sight.needless)}")


def _unseen(scene: Scene, sight: _Sight) -> Iterator[Finding]:
    """Name what the user who asks cannot read, although the service's user can."""
    mine = [path for path in _see(scene).closed if path not in sight.closed]
    if mine:
        text = f"{user_name(os.geteuid())} cannot read {some(tuple(mine))}: not looked at"
        yield fault(_TOPIC, text, f"run inspect as {scene.service.name}")


def _other_eyes(scene: Scene) -> Finding:
    """Tell what it means that this process can see with its own user's eyes only."""
    me, name, closed = user_name(os.geteuid()), scene.service.name, _see(scene).closed
    advice = f"run inspect as root, or as {name}"
    if closed:
        text = f"{me} cannot read {some(closed)}: not looked at; {name} serves this home"
        return fault(_TOPIC, text, advice)
    return caution(_TOPIC, f"seen with the eyes of {me}, and not of {name}, who serves", advice)
