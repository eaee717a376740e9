"""Reading the Authorization field (RFC 9110 §11.6.2, RFC 7617 §2)."""

from __future__ import annotations

import base64
import binascii
import re

import attrs

__all__ = ["MALFORMED", "Credentials", "Malformed", "challenge", "parse_basic"]

_BASIC = re.compile(r"[ \t]*basic(?: +(.*))?", re.IGNORECASE | re.ASCII | re.DOTALL)
# RFC 7617 §2: neither a user-id nor a password holds a control character (RFC 5234 B.1 CTL).
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
# A user-id and a password of 255 and 72 bytes fit many times over.
_MOST_CHARACTERS = 4096


@attrs.frozen(slots=True)
class Credentials:
    """A user-id and a password, as offered."""

    name: str
    passphrase: bytes = attrs.field(repr=False)


class Malformed:
    """Credentials that can't be read."""


MALFORMED = Malformed()


def parse_basic(value: str) -> Credentials | Malformed | None:
    """Read an Authorization field: None for none or another scheme than Basic.

    The base64 must be that of RFC 4648 §4 with its padding, the octets UTF-8, and there must
    be a colon; anything else is MALFORMED.
    """
    match = _BASIC.fullmatch(value)
    if match is None:
        return None
    encoded = (match[1] or "").rstrip(" \t")
    if not encoded or len(encoded) > _MOST_CHARACTERS:
        return MALFORMED
    try:
        text = base64.b64decode(encoded.encode("ascii"), validate=True).decode("utf-8")
        # b64decode takes surplus padding and stray low bits; what it gives back must be the same.
        canonical = base64.b64encode(text.encode()).decode() == encoded
    except (binascii.Error, UnicodeError):
        return MALFORMED
    name, colon, passphrase = text.partition(":")
    if not colon or not canonical or _CONTROL.search(text):
        return MALFORMED
    return Credentials(name, passphrase.encode())


def challenge(realm: str) -> tuple[str, str]:
    """Give the WWW-Authenticate field for Basic (RFC 7617 §2 and §2.1)."""
    quoted = realm.replace("\\", "\\\\").replace('"', '\\"')
    return "WWW-Authenticate", f'Basic realm="{quoted}", charset="UTF-8"'
