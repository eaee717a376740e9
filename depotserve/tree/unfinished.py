"""Names that clients give to downloads until they are finished."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

__all__ = ["final_path", "unfinished"]

# What is downloaded lies under such a name until it is whole.
_PARTS = (
    b"part",
    b"partial",
    b"crdownload",
    b"opdownload",
    b"fdmdownload",
    b"download",
    b"downloading",
    b"filepart",
    b"incomplete",
    b"unfinished",
    b"!ut",
    b"!bt",
    b"!qb",
    b"bc!",
    b"jc!",
    b"dltmp",
    b"xltd",
)
# Such a file lies beside a download under its final name, and goes when that is whole.
_CONTROLS = (b"aria2",)
_SUFFIX = re.compile(
    rb"(?P<final>.+)\.(?:%s)" % b"|".join((*_CONTROLS, *_PARTS)), re.IGNORECASE | re.DOTALL
)
_CONTROL = re.compile(rb"\.(?:%s)\Z" % b"|".join(_CONTROLS), re.IGNORECASE)
# What programs write to until it is whole: a name with a suffix of its own before it, or hidden,
# with six characters drawn at random behind it, as mkstemp(3) and copies over a network have it.
_TEMPORARY = re.compile(rb"(?P<final>.+\.[A-Za-z0-9]+)\.(?i:te?mp)", re.DOTALL)
_DRAWN = re.compile(
    rb"\.(?P<final>.+)\.(?![A-Z][a-z]{5}$)(?=.*[A-Z])(?=.*[a-z])[A-Za-z0-9]{6}", re.DOTALL
)
_HINT = re.compile(rb"\.(?i:te?mp|%s)(?:/|\Z)" % b"|".join((*_CONTROLS, *_PARTS)))


def unfinished(names: Collection[bytes]) -> Iterator[tuple[bytes, str]]:
    """Yield the names of one folder that are unfinished downloads, and why; in order, each once."""
    # No name holds a `/`: most folders have none such, nor a hidden one, which is told in one go.
    joined = b"/" + b"/".join(names)
    if b"/." not in joined and not _HINT.search(joined):
        return
    others = set(names)
    found: dict[bytes, str] = {}
    for name in names:
        final = _final(name)
        if final == name:
            continue
        if final in others and _CONTROL.search(name):
            found[final] = f"{_shown(name)} beside it says that its download goes on"
        found.setdefault(name, _why(final, has_final=final in others))
    yield from sorted(found.items())


def final_path(path: bytes) -> bytes:
    """Give the path that a download has once it is whole; the same for any other name."""
    folder, slash, name = path.rpartition(b"/")
    return folder + slash + _final(name)


def _final(name: bytes) -> bytes:
    matches = (shape.fullmatch(name) for shape in (_SUFFIX, _TEMPORARY, _DRAWN))
    return next((match["final"] for match in matches if match), name)


def _why(final: bytes, *, has_final: bool) -> str:
    beside = ", which lies beside it" if has_final else ""
    return f"the name of an unfinished download of {_shown(final)}{beside}"


def _shown(name: bytes) -> str:
    return name.decode("utf-8", "surrogateescape")
