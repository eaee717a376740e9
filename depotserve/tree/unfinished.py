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
    b"download",
    b"downloading",
    b"filepart",
    b"incomplete",
    b"unfinished",
    b"!ut",
    b"!bt",
)
# Such a file lies beside a download under its final name, and goes when that is whole.
_CONTROLS = (b"aria2",)
_SUFFIX = re.compile(
    rb"(?P<final>.+)\.(?:(?P<control>%s)|%s)" % (b"|".join(_CONTROLS), b"|".join(_PARTS)),
    re.IGNORECASE | re.DOTALL,
)
_HINT = re.compile(rb"\.(?:%s)(?:/|\Z)" % b"|".join((*_CONTROLS, *_PARTS)), re.IGNORECASE)


def unfinished(names: Collection[bytes]) -> Iterator[tuple[bytes, str]]:
    """Yield the names of one folder that are unfinished downloads, and why; in order, each once."""
    # No name holds a `/`: most folders have none such, which is told in one go.
    if not _HINT.search(b"/".join(names)):
        return
    others = set(names)
    found: dict[bytes, str] = {}
    for name in names:
        match = _SUFFIX.fullmatch(name)
        if not match:
            continue
        has_final = match["final"] in others
        if match["control"] and has_final:
            found[match["final"]] = f"{_shown(name)} beside it says that its download goes on"
        found.setdefault(name, _why(match["final"], has_final=has_final))
    yield from sorted(found.items())


def final_path(path: bytes) -> bytes:
    """Give the path that a download has once it is whole; the same for any other name."""
    folder, slash, name = path.rpartition(b"/")
    match = _SUFFIX.fullmatch(name)
    return folder + slash + match["final"] if match else path


def _why(final: bytes, *, has_final: bool) -> str:
    beside = ", which lies beside it" if has_final else ""
    return f"the name of an unfinished download of {_shown(final)}{beside}"


def _shown(name: bytes) -> str:
    return name.decode("utf-8", "surrogateescape")
