"""The accounts: whether they read, and whether those whom the settings name are known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve import accounts, config
from depotserve.errors import CallerError, DepotError
from depotserve.inspection.finding import command, fault, fine

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.accounts import Accounts
    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look"]

_TOPIC = "accounts"


def look(scene: Scene) -> Iterator[Finding]:
    """Read the accounts and hold them against the settings."""
    try:
        known = accounts.read(scene.home)
    except DepotError as error:
        if isinstance(error.__cause__, PermissionError):
            raise
        yield fault(_TOPIC, str(error), _way_out(scene, error))
        return
    users = [user for user in map(known.get, known.names) if user]
    closed = sum(not user.is_open(scene.now) for user in users)
    if users or not config.asks_for_passwords(scene.settings):
        yield fine(_TOPIC, f"users: {len(users)}, of them disabled or expired: {closed}")
    else:
        advice = command("depotserve", "user", "add", "NAME", "--home", scene.home.root)
        yield fault(_TOPIC, "no user is known, so nobody can sign in", advice)
    yield from _strangers(scene, known)


def _way_out(scene: Scene, error: DepotError) -> str:
    if isinstance(error, CallerError):
        return f"mend that line of a file in {scene.home.users.parent}, or put its backup back"
    return f"put the backup of {scene.home.users} back"


def _strangers(scene: Scene, known: Accounts) -> Iterator[Finding]:
    """Name users whom the settings let in and the accounts do not know."""
    content, operators = scene.settings.content, scene.settings.operators
    named = {mount.url: mount.users for mount in content if mount.users != config.ANY}
    for place, names in {**named, "operators": operators}.items():
        for name in names if isinstance(names, tuple) else ():
            if name not in known.names:
                add = command("depotserve", "user", "add", name, "--home", scene.home.root)
                advice = f"{add}, or take the name out of depot.yaml"
                yield fault(_TOPIC, f"{place} names {name}, who is no user", advice)
