"""What operating systems and storage boxes leave behind in a folder that they were shown."""

from __future__ import annotations

import re

from depotserve.config import LITTER

__all__ = ["is_litter", "within_litter"]

# Of names in lower case: for either case the search takes several times as long.
_NAMES = "|".join(re.escape(name.lower()).replace(r"\*", "[^/]*") for name in LITTER).encode()
_NAME = re.compile(rb"(?:%b)" % _NAMES, re.DOTALL)
_IN_PATH = re.compile(rb"/(?:%b)(?=/|\Z)" % _NAMES, re.DOTALL)


def is_litter(component: bytes) -> bool:
    """Tell by one component of a path whether it is litter, or a folder of it."""
    return _NAME.fullmatch(component.lower()) is not None


def within_litter(path: bytes) -> bytes | None:
    """Give the first part of a path that is litter, with the folders above it; None for none."""
    found = _IN_PATH.search(b"/" + path.lower())
    return path[: found.end() - 1] if found else None
