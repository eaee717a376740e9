"""Who else on this machine can read the secrets or change what the depot goes by."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

from depotserve.inspection.finding import caution, command, fault, fine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.home import Home
    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look"]

_TOPIC = "modes"
_READABLE = 0o077  # what nobody but the owner may have of a secret
_WRITABLE = 0o022  # what nobody but the owner may have of what the depot goes by


def look(scene: Scene) -> Iterator[Finding]:
    """Look at the modes of secrets, and of what says whom the depot knows and trusts."""
    loose = [*_loose(_secrets(scene.home), _READABLE), *_loose(_guarded(scene.home), _WRITABLE)]
    found = [_tell(*one) for one in loose if not _is_for_service(scene, *one)]
    yield from found
    if not found and _are_seen(scene.home):
        yield fine(_TOPIC, "secrets are readable to their owner only")


def _secrets(home: Home) -> tuple[Path, ...]:
    keys = (home.key, home.next_key, home.request_key)
    return (home.users, home.terms, *keys, home.authority_key, home.next_authority_key)


def _guarded(home: Home) -> tuple[Path, ...]:
    trusted = (home.certificate, home.next_certificate, home.anchors)
    authorities = (home.authority, home.next_authority, home.old_authority)
    folders = (home.users.parent, home.key.parent)
    return (home.root, home.settings, *folders, *trusted, *authorities)


def _loose(paths: tuple[Path, ...], too_much: int) -> Iterator[tuple[Path, int, int]]:
    for path in paths:
        mode = _mode(path)
        if mode & too_much:
            yield path, mode, too_much


def _are_seen(home: Home) -> bool:
    """Tell whether the modes of secrets can be seen at all by the user who asks."""
    return all(os.access(folder, os.X_OK) for folder in (home.users.parent, home.key.parent))


def _mode(path: Path) -> int:
    try:
        return stat.S_IMODE(os.stat(path).st_mode)
    except OSError:
        return 0


def _is_for_service(scene: Scene, path: Path, mode: int, too_much: int) -> bool:
    """Tell whether all that is open is that the service's group reads what another user owns."""
    if mode & too_much & ~0o040 or path in (scene.home.authority_key, scene.home.request_key):
        return False
    status = os.stat(path)
    return status.st_uid != scene.service.uid and status.st_gid in scene.service.groups


def _tell(path: Path, mode: int, too_much: int) -> Finding:
    # A service that only reads its accounts may do so through its group.
    grade = fault if mode & 0o027 else caution
    advice = command("chmod", "go-rwx" if too_much == _READABLE else "go-w", path)
    return grade(_TOPIC, f"{path} has mode {mode:04o}, so others can get at it", advice)
