"""Where commands that work outside keep what they remember: never in the tree."""

from __future__ import annotations

import os
from pathlib import Path

from depotserve.errors import CallerError, SurroundingsError

__all__ = ["state_folder"]


def state_folder(option: Path | None, *, tree: Path) -> Path:
    """Give the folder that `--state` names, else the user's own; it is made if it is missing.

    The user's own is `depotserve` in XDG_STATE_HOME, else in `~/.local/state` (XDG Base Directory
    Specification). Raises CallerError if it would lie in the tree or the user has no home,
    SurroundingsError if it cannot be made.
    """
    folder = Path(os.path.abspath(option or _own()))
    real, real_tree = Path(os.path.realpath(folder)), Path(os.path.realpath(tree))
    if real == real_tree or real_tree in real.parents:
        raise CallerError(
            "the state would lie in the tree", where=str(folder), allowed="give --state DIR"
        )
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)
    except OSError as error:
        raise SurroundingsError(error.strerror or "cannot be made", where=str(folder)) from error
    return folder


def _own() -> Path:
    named = os.environ.get("XDG_STATE_HOME", "")
    # "All paths set in these environment variables must be absolute", else they are ignored.
    if os.path.isabs(named):
        return Path(named) / "depotserve"
    home = os.environ.get("HOME", os.path.expanduser("~"))
    if not os.path.isabs(home):  # it is empty, or a user without a name has none
        raise CallerError("there is no home folder to keep state in", allowed="give --state DIR")
    return Path(home) / ".local" / "state" / "depotserve"
