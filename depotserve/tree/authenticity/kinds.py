"""What a file that may be a signature is, told by its bytes."""

from __future__ import annotations

import re
from enum import Enum

from depotserve.tree.authenticity.armour import BrokenError, blocks
from depotserve.tree.authenticity.cms import looks_like_cms
from depotserve.tree.authenticity.openpgp import signatures_in
from depotserve.tree.authenticity.packets import PUBLIC_KEY, tag_of

__all__ = ["Kind", "kind_of", "what_it_is"]

# What else is called a signature and begins like this.
_OTHERS = {
    b"untrusted comment:": "the signify or minisign kind",
    b"-----BEGIN SSH SIGNATURE-----": "SSH's kind",
}


class Kind(Enum):
    """What reads a file, or that nothing here does."""

    OPENPGP = 1
    CMS = 2
    KEY = 3  # a public key, which lies in many trees and signs nothing
    OTHER = 4


# What a binary file is by the type of its first packet (RFC 9580 §5): the parts of a message, which
# are refused as signatures; bare signatures of other kinds begin with any byte.
_KINDS = {PUBLIC_KEY: Kind.KEY, **dict.fromkeys((1, 2, 3, 4, 8, 9, 11, 18, 20), Kind.OPENPGP)}


def kind_of(content: bytes) -> Kind:
    """Tell what a file is; one that is damaged is what it was."""
    if looks_like_cms(content):
        return Kind.CMS
    try:
        signatures_in(content)
    except BrokenError:
        return _kind_of_other(content)
    return Kind.OPENPGP


def _kind_of_other(content: bytes) -> Kind:
    """Tell a damaged signature from a key, and from what is no OpenPGP."""
    if content[:1] >= b"\x80":
        # Raw signatures of other kinds begin with any byte, so that one alone tells nothing.
        kind = _KINDS.get(tag_of(content[0]), Kind.OTHER)
        return kind if _VERSION.match(content) or kind is Kind.KEY else Kind.OTHER
    try:
        labels = [one.label for one in blocks(content)]
    except BrokenError:
        return Kind.OPENPGP if b"-----BEGIN PGP SIGNATURE-----" in content else Kind.OTHER
    if not labels:
        return Kind.OTHER
    return Kind.KEY if labels[0] == b"PUBLIC KEY BLOCK" else Kind.OPENPGP


# A binary signature packet as it begins: its type, a length, its version (RFC 9580 §5.2); and the
# packets that a whole message begins with, one-pass (§5.4) and compressed (§5.6).
_VERSION = re.compile(
    rb"(?:\xc2(?:[\0-\xbf]|[\xc0-\xdf].|\xff.{4})|\x88.|\x89..|\x8a.{4})[\3-\6]"
    rb"|[\x90\xc4]\x0d[\3\6]|\xa3[\1-\3]",
    re.DOTALL,
)


def what_it_is(content: bytes) -> str:
    """Say to a person what a file of the kind OTHER is."""
    if not content:
        return "is empty"
    for beginning, words in _OTHERS.items():
        if content.startswith(beginning):
            return f"of {words}"
    return f"{len(content)} bytes that are neither OpenPGP nor CMS"
