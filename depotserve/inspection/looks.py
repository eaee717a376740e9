"""All looks at a home, in the order in which one thing can be the cause of the next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

import attrs

from depotserve.errors import DepotError
from depotserve.inspection import (
    accounts,
    authority,
    certificate,
    clock,
    content,
    disk,
    file_system,
    permissions,
    ports,
    prepared,
    protection,
    service,
    settings,
)
from depotserve.inspection.finding import Finding, Grade, fault
from depotserve.inspection.scene import Scene, scene_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from depotserve.home import Home

__all__ = ["LOOKS", "Look", "inspect"]


@attrs.frozen
class Look:
    """One topic: how it is looked at, and after the fault of which others that says nothing new."""

    topic: str
    at: Callable[[Scene], Iterable[Finding]]
    unless: tuple[str, ...] = ()


_READ = ("settings",)  # what cannot be looked at while the settings do not read
LOOKS = (
    Look("disk", disk.look),
    Look("modes", permissions.look),
    Look("settings", settings.look),
    Look("service user", service.look, unless=_READ),
    Look("file system", file_system.look, unless=("disk",)),
    Look("clock", clock.look),
    Look("accounts", accounts.look, unless=_READ),
    Look("certificate", certificate.look, unless=_READ),
    Look("certificate", prepared.look, unless=_READ),
    Look("authority", authority.look, unless=_READ),
    Look("content", content.look, unless=_READ),
    Look("ports", ports.look, unless=_READ),
    Look("descriptors", ports.look_at_descriptors, unless=_READ),
    Look("protection", protection.look, unless=_READ),
    Look("never_serve", protection.look_at_hidden_names, unless=_READ),
)


def inspect(home: Home, *, now: float) -> list[Finding]:
    """Look over all of a home at the time `now` (seconds since 1970) and give every finding.

    A fault that follows from one of another topic is left out. Raises nothing for what is wrong
    in the home: that is a finding.
    """
    try:
        scene = scene_of(home, now)
    except DepotError as error:
        return [fault("file system", str(error), "run inspect as root, or as the home's owner")]
    findings: list[Finding] = []
    for look in LOOKS:
        if not scene.at_fault.intersection(look.unless):
            found = _findings(look, scene)
            findings += found
            scene.at_fault.update(one.topic for one in found if one.grade is Grade.FAULT)
    return findings


def _findings(look: Look, scene: Scene) -> list[Finding]:
    try:
        return list(look.at(scene))
    except DepotError as error:
        # The look at the service's user has named each file that cannot be read.
        if isinstance(error.__cause__, PermissionError):
            return []
        return [fault(look.topic, str(error), "mend what is named here, and inspect again")]
