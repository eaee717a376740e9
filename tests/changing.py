"""Good content, changed as a few random bytes say.

Hypothesis draws one value for an example: to draw every place, length and word of a change by
itself took twice as long as all that readers did with the outcome.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import strategies as st

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_HEAD, _STEP, _MOST = 2, 24, 4  # bytes, bytes of a change, changes
SCRIPT = st.binary(min_size=_HEAD + _STEP * _MOST, max_size=_HEAD + _STEP * _MOST)
_LENGTHS = (0, 1, 1, 4, 20, 40, 10_000)  # bytes that a change takes away


def steps(script: bytes, most: int = _MOST) -> Iterator[tuple[int, int, int, bytes]]:
    """Give one to `most` changes of a script: which, two numbers for places, up to 16 bytes."""
    for number in range(script[0] % most + 1):
        step = script[_HEAD + number * _STEP :][:_STEP]
        first, second = int.from_bytes(step[1:4], "big"), int.from_bytes(step[4:7], "big")
        yield step[0], first, second, step[8 : 8 + step[7] % 17]


def changed(good: bytes, script: bytes, words: Sequence[bytes] = ()) -> bytes:
    """Replace, take out, double or insert bytes of something good, or make all of it up.

    What comes in is random bytes, or one of `words`.
    """
    if script[1] % 8 == 0:
        return script[_HEAD : _HEAD + script[0] % (_STEP * _MOST + 1)]
    for which, place, other, new in steps(script, most=3):
        at = place % (len(good) + 1)
        gone = good[at : at + _LENGTHS[other % len(_LENGTHS)]]
        word = words[which // 2 % len(words)] if words and which % 2 else new
        good = good[:at] + (gone * 2 if which >= 240 else word) + good[at + len(gone) :]
    return good
