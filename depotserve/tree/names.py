"""What the names and kinds of one folder's entries tell, without a look into any file."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

from depotserve.tree.entry import Kind, shown
from depotserve.tree.finding import Finding
from depotserve.tree.finding import Kind as Found
from depotserve.tree.litter import within_litter
from depotserve.tree.media_names import all_held, fall_together, held_by_media
from depotserve.tree.unfinished import unfinished

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.tree.walk import Folder

__all__ = ["look_at_names", "look_at_odd", "tellers"]

_LONGEST_PATH = 255  # bytes; below, no medium minds how long a path is
# What is in the name of each list and signature that `expectations.recognise` and
# `authenticity.signed_by` know: a folder of a thousand names is asked once.
_TELLING = re.compile(
    rb"md5|sm3|sha|b2|blake2|sum|digest|hash|packages|sources|release|primary|repomd|index|fetch"
    rb"|oci-layout|\.(?:jsonl?|ndjson|xml|html?|meta4|metalink|dsc|changes|buildinfo"
    rb"|asc|sig|gpg|sign|signature|pgp|p7[ms]?|cms|rpm)(?:/|\.|\Z)"
)


def look_at_names(folder: Folder, root: Path) -> Iterator[Finding]:
    """Give what there is to say of the entries of one folder, and of the folder if it is empty."""
    for trouble in folder.troubles:
        waste = within_litter(trouble.path) is not None
        yield Finding(Found.LITTER if waste else Found.UNREADABLE, trouble.path, trouble.why)
    if not folder.states and not folder.troubles and folder.path:
        yield Finding(Found.EMPTY_FOLDER, folder.path)
    prefix, names = folder.prefix, list(folder.states)
    for name, state in folder.states.items():
        if state[0] in _LOOKS:
            yield look_at_odd(prefix + name, state[0], root)
    yield from _odd_names(prefix, names)
    for name, why in unfinished(names):
        yield Finding(Found.UNFINISHED, prefix + name, why)


def look_at_odd(path: bytes, kind: int, root: Path) -> Finding:
    """Give what there is to say of what is neither file nor folder: where a link leads."""
    return _LOOKS[kind](path, root)


def tellers(folder: Folder) -> Iterator[bytes]:
    """Give the files of a folder, and links, that may be lists or signatures, by their names."""
    # No name holds a `/`, so that it parts them; most folders have none such in all.
    if _TELLING.search(b"/".join(folder.states).lower()):
        for name, state in folder.states.items():
            if state[0] in (Kind.FILE, Kind.LINK) and _TELLING.search(name.lower()):
                yield folder.prefix + name


def _odd_names(prefix: bytes, names: list[bytes]) -> Iterator[Finding]:
    deep = len(prefix) + max(map(len, names), default=0) > _LONGEST_PATH
    if deep or not all_held(names):
        for name in names:
            why = held_by_media(prefix + name if deep else name)
            if why and not within_litter(prefix + name):
                yield Finding(Found.NAME, prefix + name, why)
    for group in fall_together(names):
        others = ", ".join(map(shown, group[1:]))
        yield Finding(Found.FALLS_TOGETHER, prefix + group[0], f"with {others}")


def _look_at_link(path: bytes, root: Path) -> Finding:
    base = os.path.realpath(os.fsencode(root))
    place = base + b"/" + path
    target = os.path.realpath(place)
    if not os.path.exists(place):  # nor does one that leads to itself lead anywhere
        return Finding(Found.DANGLING, path, _leads_to(place))
    if target == base or target.startswith(base.rstrip(b"/") + b"/"):
        return Finding(Found.LINK, path, _leads_to(place))
    return Finding(Found.ASTRAY, path, _leads_to(place))


def _leads_to(place: bytes) -> str:
    try:
        return f"to {shown(os.readlink(place))}"
    except OSError as error:
        return error.strerror or type(error).__name__


def _look_at_special(path: bytes, _root: Path) -> Finding:
    return Finding(Found.SPECIAL, path, "not opened")


_LOOKS = {int(Kind.LINK): _look_at_link, int(Kind.SPECIAL): _look_at_special}
