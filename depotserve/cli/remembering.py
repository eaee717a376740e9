"""Why a second run reads everything again, for a person."""

from __future__ import annotations

__all__ = ["not_remembered"]


def not_remembered(place: str) -> str:
    """Say of a file system, as `Cache.doubted` names it, why its files are read every time."""
    return (
        f"nothing is remembered of the files on {place}, which is removable, on a network or of "
        "no known kind: the next run reads them again"
    )
