"""Sizes for a person."""

from __future__ import annotations

__all__ = ["size_words"]

_UNITS = ("bytes", "KiB", "MiB", "GiB", "TiB")  # IEC 80000-13


def size_words(size: float) -> str:
    """Give a number of bytes in three digits or so, in the unit that suits it."""
    if size == 1:
        return "1 byte"
    unit = 0
    while size >= 1024 and unit < len(_UNITS) - 1:
        size /= 1024
        unit += 1
    return f"{size:.0f} {_UNITS[unit]}" if size >= 100 or not unit else f"{size:.3g} {_UNITS[unit]}"
