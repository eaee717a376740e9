"""A digest that a person typed in, from a channel that the files did not come by."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING, NamedTuple

from depotserve.errors import CallerError
from depotserve.tree.digests import Algorithm, by_size, named, parse_hex

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["Typed", "parse_typed"]

_ALLOWED = "write FILE=HEX or FILE=sha256:HEX"
_NAMED = re.compile(r"([A-Za-z][A-Za-z0-9/_-]{0,30}):(.*)")


class Typed(NamedTuple):
    """What somebody knows of a file of the tree."""

    path: bytes  # relative to the root
    algorithm: Algorithm
    value: bytes


def parse_typed(text: str, root: Path) -> Typed:
    """Read `FILE=HEX` or `FILE=ALGORITHM:HEX`; FILE is relative to the root, or as it lies on disk.

    Blanks within the digits count for nothing, since they are copied from paper. Without a name the
    digest's length tells its algorithm. Raises CallerError, also for MD5 and SHA-1: two files with
    one such digest can be made, so it authenticates nothing.
    """
    name, equals, digest = text.rpartition("=")
    if not equals or not name:
        raise CallerError("no FILE=HEX", where=f"--digest {text}", allowed=_ALLOWED)
    algorithm, value = _digest("".join(digest.split()), f"--digest {text}")
    return Typed(_path(name, root), algorithm, value)


def _digest(text: str, where: str) -> tuple[Algorithm, bytes]:
    found = _NAMED.fullmatch(text)
    digits = found[2] if found else text
    algorithm = named(found[1]) if found else by_size(len(digits) // 2)
    value = parse_hex(digits, algorithm) if algorithm else None
    if algorithm is None or value is None:
        raise CallerError("the digest is of no known kind or length", where=where, allowed=_ALLOWED)
    if algorithm.weak:
        raise CallerError(
            f"two files with one {algorithm.name} digest can be made, so it proves nothing",
            where=where,
            allowed="ask for a SHA-256",
        )
    return algorithm, value


def _path(name: str, root: Path) -> bytes:
    """Find the file that is meant. Raises CallerError if it is none, or could be either of two."""
    base = os.path.realpath(root)
    candidates = {_within(os.path.join(base, name), base), _within(os.path.abspath(name), base)}
    found = sorted(one for one in candidates if one is not None)
    if len(found) == 1:
        return os.fsencode(found[0])
    if found:
        both = " or ".join(found)
        raise CallerError(f"could be {both} in the tree", where=name, allowed="write it in full")
    raise CallerError("no such file in the tree", where=name)


def _within(path: str, base: str) -> str | None:
    """Give the path relative to the root, of a file that lies there; its folder resolved."""
    real = os.path.join(os.path.realpath(os.path.dirname(path)), os.path.basename(path))
    inside = real.startswith(base.rstrip("/") + "/")
    return os.path.relpath(real, base) if inside and os.path.isfile(real) else None
