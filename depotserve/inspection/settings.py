"""The settings: whether they read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.errors import DepotError
from depotserve.inspection.finding import fault, fine

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look"]

_TOPIC = "settings"
_MEND = "mend that line of {path}; whatever hangs on the settings is looked at after that"
_REACH = "run inspect as root, or as {user}, who serves this home"
_RIGHTS = "give {user}, who serves this home, the right to read it; the depot cannot start without"


def look(scene: Scene) -> Iterator[Finding]:
    """Tell whether HOME/depot.yaml reads well."""
    path, user = scene.home.settings, scene.service
    try:
        scene.settings  # noqa: B018  # raises what is wrong with them
    except DepotError as error:
        way = _MEND
        if isinstance(error.__cause__, PermissionError):
            way = _RIGHTS if user.is_me else _REACH
        yield fault(_TOPIC, str(error), way.format(path=path, user=user.name))
    else:
        yield fine(_TOPIC, f"{path} reads well")
