"""Text for a terminal: whatever a name holds, it stays on its line and moves no cursor."""

from __future__ import annotations

import re

__all__ = ["printable"]

# C0 and C1 controls (ECMA-48), line and paragraph separators, and the Unicode marks that change
# the direction of what follows (UAX #9), which can make a name look like another.
_HARMFUL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def printable(text: str) -> str:
    """Write each character that would harm a line as its escape, in the way of Python's text."""
    return _HARMFUL.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)
