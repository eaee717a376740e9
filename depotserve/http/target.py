"""From the bytes of a request target to the names of a path, decoded once."""

from __future__ import annotations

import re
from urllib.parse import quote_from_bytes

import attrs

from .refusal import Refusal

__all__ = ["Target", "parse_target", "valid_host"]

# RFC 3986 §3.2.2 and RFC 9110 §7.2: a registered name or an IP literal, and a port of digits.
_HOST = re.compile(
    rb"(?:\[[0-9A-Fa-f:.]{2,45}\]|(?:[A-Za-z0-9._~!$&'()*+,;=-]|%[0-9A-Fa-f]{2})*)(?::[0-9]{0,5})?",
)
# What most targets are: nothing to decode, no dot segment, no empty one, no query.
_SIMPLE = re.compile(rb"(?:/[A-Za-z0-9_~-][A-Za-z0-9._~+-]*)+")
_ABSOLUTE = re.compile(rb"https?://([^/?]*)(.*)", re.IGNORECASE | re.DOTALL)
# Not every such character may stand in a target as it is; browsers send the others all the same.
_VISIBLE = re.compile(rb"[!-~]*")
_TRIPLET = re.compile(rb"%([0-9A-Fa-f]{2})")
_BAD_PERCENT = re.compile(rb"%(?![0-9A-Fa-f]{2})")
# RFC 3986 §3.3: what may stand in a path as it is; quote adds letters, digits and "_.-~".
_PATH_SAFE = "!$&'()*+,;=:@"
# RFC 3986 §3.4, and "%" since a query is handed on as it came.
_QUERY_SAFE = "!$&'()*+,;=:@/?%[]"
_NO_STEP = (b"", b".")  # segments that stay where they stand


@attrs.frozen(slots=True)
class Target:
    """What a request asks for: the names of a path from the root, decoded."""

    names: tuple[bytes, ...]
    folder: bool  # the path ends with a slash
    query: bytes  # as it came, without "?"
    authority: bytes = b""  # of a target in absolute form

    def path(self) -> str:
        """Give the path as a path-absolute reference (RFC 3986 §3.3), never beginning "//"."""
        joined = "/".join(quote_from_bytes(name, _PATH_SAFE) for name in self.names)
        return f"/{joined}/" if self.folder and joined else f"/{joined}"

    def with_query(self, path: str) -> str:
        """Give `path` with this target's query, safe to stand in a header field."""
        return f"{path}?{quote_from_bytes(self.query, _QUERY_SAFE)}" if self.query else path


def valid_host(value: bytes) -> bool:
    """Tell whether `value` is a host and an optional port (RFC 9110 §7.2)."""
    return len(value) <= 512 and _HOST.fullmatch(value) is not None


def parse_target(raw: bytes) -> Target:
    """Take a request target in origin-form or absolute-form apart (RFC 9112 §3.2).

    A segment "." names where it stands (RFC 3986 §3.3); apt asks so for a flat repository's files.
    Raises `Refusal` 400 for another form, an octet that must be encoded, a broken
    percent-encoding, an encoded slash, a NUL and ".." in any spelling: a client resolves that
    before it asks (RFC 3986 §5.2.4).
    """
    if _SIMPLE.fullmatch(raw):
        return Target(tuple(raw[1:].split(b"/")), folder=False, query=b"")
    if not _VISIBLE.fullmatch(raw):
        raise Refusal(400, "The request target has an octet that must be encoded.", close=True)
    authority, rest = _split_authority(raw)
    if b"#" in rest:
        raise Refusal(400, "A request target has no fragment.", close=True)
    path, _, query = rest.partition(b"?")
    if not path.startswith(b"/"):
        raise Refusal(400, "The request target must begin with a slash.", close=True)
    parts = [_decode(part) for part in path[1:].split(b"/")]
    folder = parts[-1] in _NO_STEP
    # No file has an empty name: slashes in a row part as one does, since clients that join a
    # base and a path by hand send them.
    names = tuple(part for part in parts if part not in _NO_STEP)
    return Target(names, folder, query, authority)


def _split_authority(raw: bytes) -> tuple[bytes, bytes]:
    """Split a target in absolute-form (RFC 9112 §3.2.2); one in origin-form has no authority."""
    match = None if raw.startswith(b"/") else _ABSOLUTE.fullmatch(raw)
    if match is None:
        return b"", raw
    authority, rest = match.groups()
    if not authority or not valid_host(authority):
        raise Refusal(400, "The request target names no valid host.", close=True)
    return authority, rest if rest.startswith(b"/") else b"/" + rest


def _decode(part: bytes) -> bytes:
    name = part
    if b"%" in part:
        if _BAD_PERCENT.search(part):
            raise Refusal(400, "The request target has a broken percent-encoding.")
        name = _TRIPLET.sub(lambda match: bytes((int(match[1], 16),)), part)
    if b"\0" in name or b"/" in name:
        raise Refusal(400, "The request target has an encoded slash or NUL.")
    if name == b"..":
        raise Refusal(400, "The request target leads upwards.")
    return name
