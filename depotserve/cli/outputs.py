"""Where a command may write the file that it is asked for."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

from depotserve import config
from depotserve.errors import CallerError

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.config import Settings

__all__ = ["check_output"]


def check_output(file: Path, settings: Settings) -> None:
    """Raise CallerError for a file that may not be written or replaced, symlinks followed."""
    if config.is_within(file, settings.home):
        raise _refusal(file, "lies in the home, whose files the depot itself reads")
    for mount in settings.content:
        if config.is_within(file, mount.path):
            raise _refusal(file, "lies in the content, where it would be served")
    if os.path.lexists(file) and not stat.S_ISREG(os.lstat(file).st_mode):
        raise _refusal(file, "is there and no regular file")


def _refusal(file: Path, wrong: str) -> CallerError:
    return CallerError(wrong, where=str(file), allowed="name another file")
