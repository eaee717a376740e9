"""The settings of a depot: one frozen, typed object, checked whole at the start."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.config.checks import (
    asks_for_passwords,
    check_content,
    check_together,
    is_within,
    sends_cleartext,
    why_unlistable,
)
from depotserve.config.settings import (
    ANONYMOUS,
    ANY,
    CONNECTION,
    DEFAULT_NEVER_SERVE,
    LITTER,
    RESERVED_NAMES,
    TOTAL,
    AccessLog,
    Cap,
    Hours,
    Limits,
    Listener,
    Mount,
    Network,
    Readers,
    Settings,
    Throttle,
    Tls,
)
from depotserve.config.source import read
from depotserve.config.structure import structure
from depotserve.home import SETTINGS_NAME, read_bounded

if TYPE_CHECKING:
    from pathlib import Path

__all__ = [
    "ANONYMOUS",
    "ANY",
    "CONNECTION",
    "DEFAULT_NEVER_SERVE",
    "LITTER",
    "RESERVED_NAMES",
    "TOTAL",
    "AccessLog",
    "Cap",
    "Hours",
    "Limits",
    "Listener",
    "Mount",
    "Network",
    "Readers",
    "Settings",
    "Throttle",
    "Tls",
    "asks_for_passwords",
    "check_content",
    "is_within",
    "load",
    "parse",
    "sends_cleartext",
    "why_unlistable",
]

MOST_BYTES = 1 << 20  # a thousand times the sample; more is another file by mistake


def load(home: Path) -> Settings:
    """Read HOME/depot.yaml and check it whole.

    Raises SurroundingsError if it cannot be read, CallerError for anything wrong in it, as
    `depot.yaml:LINE: KEY: what is wrong, what is allowed`.
    """
    return parse(read_bounded(home / SETTINGS_NAME, MOST_BYTES), home=home, name=SETTINGS_NAME)


def parse(text: bytes, *, home: Path, name: str) -> Settings:
    """Make settings of a file's bytes; nothing is read but the real paths of its folders.

    `home` is the folder that holds the file, `name` what messages call it. Raises CallerError.
    """
    settings = structure(read(text, name=name), home)
    check_together(settings, name)
    return settings
