"""What texts and numbers of a catalog say: sizes, digests, paths and addresses."""

from __future__ import annotations

import base64
import re
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import unquote_to_bytes

from depotserve.tree.digests import Algorithm, by_size, named, parse_hex
from depotserve.tree.expectations.catalogs.vocabulary import (
    Role,
    algorithm_of,
    is_algorithm_key,
    is_value_key,
    role,
)
from depotserve.tree.expectations.file_facts import parse_size

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "Claim",
    "claims",
    "digest_of",
    "is_address",
    "looks_like_digest",
    "looks_like_file",
    "path_of",
    "size_of",
    "url_path",
]

_PREFIX = re.compile("([A-Za-z][A-Za-z0-9_/-]{0,15}):([^:]+)")
_INTEGRITY = re.compile(r"(sha256|sha384|sha512)-([A-Za-z0-9+/_=-]+)(?:\?.*)?")  # W3C SRI, §3.5
_BASE64 = re.compile("[A-Za-z0-9+/_-]{22,88}={0,2}")
_HEX = re.compile("[0-9a-fA-F]+")
_HEX_LENGTHS = frozenset(2 * octets for octets in range(65) if by_size(octets))
_LONGEST_PATH = 4096  # bytes, PATH_MAX
# Control characters, wildcards, places for values, and a drive letter make no name of a file here.
_NO_PATH = re.compile(r"[\0-\x1f\x7f*]|\$\{|\{\{|/\Z|\A[A-Za-z]:[\\/]")
_AUTHORITY = re.compile(r"(?:[A-Za-z][A-Za-z0-9+.-]*:)?//[^/?#]*")
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:")
# Whole bytes as they are written for people; a comma parts thousands.
_BYTES = re.compile("([0-9]{1,3}(?:,[0-9]{3})+|[0-9]+) ?(?:b|bytes?|octets?)?", re.IGNORECASE)
_FILE = re.compile(r"(?:.*[/\\])?[^/\\]+\.(?=[0-9]*[A-Za-z])[A-Za-z0-9_]{1,10}")


def size_of(value: Any) -> int | None:  # noqa: ANN401
    """Read a size: a whole number of bytes, or one as text, such as `4,096 bytes`; else None."""
    if type(value) is int:  # no truth value
        value = str(value) if 0 <= value < 2**64 else ""
    found = _BYTES.fullmatch(value.strip()) if isinstance(value, str) else None
    return parse_size(found[1].replace(",", "")) if found else None


class Claim(NamedTuple):
    """A digest that a catalog states."""

    kind: str  # an Algorithm.name, or what the catalog calls a kind that is not known; "" if none
    value: bytes | None  # None if it cannot be read as one of that kind
    by_length: bool = False  # whether nothing but its length tells the kind


def claims(key: str, value: Any, kind: str = "", depth: int = 4) -> Iterator[Claim]:  # noqa: ANN401
    """Yield the digests that stand under a key; `kind` is what else says their kind.

    A text, a list, `{"sha256": text}`, `{"algorithm": ..., "value": text}`, each in another one.
    """
    kind = algorithm_of(key) or kind
    if isinstance(value, str):
        yield from (_claim(kind, text) for text in value.split()[:4])
    elif isinstance(value, list) and depth:
        for item in value[:16]:
            yield from claims(key, item, kind, depth - 1)
    elif isinstance(value, dict) and depth:
        yield from _members(value, kind, depth - 1)
    elif isinstance(value, (int, float)):
        yield Claim(kind, None)


def _members(fields: dict[str, Any], kind: str, depth: int) -> Iterator[Claim]:
    for key, value in fields.items():
        if isinstance(value, str) and is_algorithm_key(key):
            kind = value
    for key, value in fields.items():
        if role(key) is Role.DIGEST or (isinstance(value, str) and is_value_key(key)):
            yield from claims(key, value, kind, depth)


def _claim(kind: str, text: str) -> Claim:
    marked = _INTEGRITY.fullmatch(text) or _PREFIX.fullmatch(text)
    if marked:
        kind, text = marked[1], marked[2]
    if not kind:
        return _by_length(text)
    algorithm = named(kind)
    if algorithm is None:
        return Claim(kind, None)
    return Claim(algorithm.name, digest_of(text, algorithm))


def digest_of(text: str, algorithm: Algorithm) -> bytes | None:
    """Read a digest in hexadecimal or base64; their lengths tell them apart. None if it is none."""
    value = parse_hex(text, algorithm)
    if value is None:
        value = _base64(text)
    return value if value is not None and len(value) == algorithm.size else None


def _by_length(text: str) -> Claim:
    value = bytes.fromhex(text) if looks_like_digest(text) else _base64(text)
    found = by_size(len(value)) if value is not None else None
    return Claim(found.name, value, by_length=True) if found else Claim("", None)


def _base64(text: str) -> bytes | None:
    """Read RFC 4648 base64 of either alphabet, with its padding or without."""
    if not _BASE64.fullmatch(text):
        return None
    plain = text.rstrip("=").replace("-", "+").replace("_", "/")
    try:
        return base64.b64decode(plain + "=" * (-len(plain) % 4), validate=True)
    except ValueError:
        return None


def path_of(text: str) -> bytes | None:
    """Read a path, `/` between names, a `/` before it left out; None for what names no file."""
    if _AUTHORITY.match(text):
        return url_path(text)
    return None if _NO_PATH.search(text) else _encoded(text)


def url_path(text: str) -> bytes | None:
    """Read the path of an address (RFC 3986 §3), relative or absolute; None if it has none."""
    text = _AUTHORITY.sub("", text, count=1)
    text = re.split("[?#]", text, maxsplit=1)[0]
    if _SCHEME.match(text) or _NO_PATH.search(text):
        return None
    try:
        found = unquote_to_bytes(text).lstrip(b"/")
    except ValueError:  # a lone surrogate
        return None
    return found if found and len(found) <= _LONGEST_PATH and b"\0" not in found else None


def _encoded(text: str) -> bytes | None:
    try:
        found = text.lstrip("/").encode()
    except ValueError:
        return None
    return found if found and len(found) <= _LONGEST_PATH else None


def is_address(text: str) -> bool:
    """Tell an address that says by which scheme it is reached."""
    return _SCHEME.match(text) is not None


def looks_like_file(text: str) -> bool:
    """Tell whether a text ends as names of files do, in a suffix that is no number."""
    return len(text) <= _LONGEST_PATH and _FILE.fullmatch(text.strip()) is not None


def looks_like_digest(text: str) -> bool:
    """Tell whether a text is hexadecimal and as long as a digest of a common kind."""
    return len(text) in _HEX_LENGTHS and _HEX.fullmatch(text) is not None
