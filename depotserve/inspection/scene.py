"""What every look at a home goes by."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import attrs

from depotserve import config
from depotserve.errors import DepotError
from depotserve.inspection.user import User, service_user, user_name

if TYPE_CHECKING:
    from depotserve.config import Settings
    from depotserve.home import Home

__all__ = ["Scene", "scene_of"]


@attrs.frozen
class Scene:
    """A home, the time, the user as whom it is served, and what is known to be at fault."""

    home: Home
    now: float  # seconds since 1970
    service: User
    loaded: Settings | DepotError
    at_fault: set[str] = attrs.field(factory=set)  # topics, as far as was looked

    @property
    def settings(self) -> Settings:
        """Give the settings; raises the error for which they cannot be read."""
        if isinstance(self.loaded, DepotError):
            raise self.loaded
        return self.loaded

    @property
    def eyes(self) -> str:
        """Give the name of the user as whom things are seen."""
        return self.service.name if self.service.is_within_reach else user_name(os.geteuid())

    @property
    def is_shared(self) -> bool:
        """Tell whether one user owns the home and another, who is not root, serves it."""
        return self.service.uid not in (0, self.home.root.stat().st_uid)


def scene_of(home: Home, now: float) -> Scene:
    """Read the settings once for all looks. Raises SurroundingsError for a home out of sight."""
    loaded: Settings | DepotError
    try:
        loaded = config.load(home.root)
    except DepotError as error:
        loaded = error
    return Scene(home, now, service_user(home), loaded)
