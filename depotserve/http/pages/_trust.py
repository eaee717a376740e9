"""The page about the authority: what to compare, with whom, and what to do then."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from depotserve.http.listing import speakable
from depotserve.http.pages._frame import TEMPLATES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.tls import Anchor

__all__ = ["trust_html", "trust_text"]

_HTML = TEMPLATES.get_template("trust.html")
_HALF = 48  # characters: 16 of 32 pairs of digits, so that a line fits a terminal
_WORDS = """\
The authority that vouches for this depot
=========================================

Do not trust it yet. Whoever sits between you and the depot can replace this
text, the fingerprint and the certificate in it together, so what came over
plain HTTP, or by a connection with a warning, proves nothing by itself.

Make sure of it first:
  1. Ask the depot's administrator for the fingerprint by another way: by
     telephone, on paper, or at the depot's own console, where
     `depotserve cert show` prints it.
  2. Compute the fingerprint of the file that you got on your own machine,
     and compare all of it with what the administrator said:
     openssl x509 -noout -fingerprint -sha256 -in FILE
  3. If a single digit differs, delete the file, and tell the administrator:
     somebody may be in between.
  4. If all are the same, give the file to your client as an authority for
     this depot; `depotserve cert trust` says how for each kind of client.
     This text can be saved and given as it is.
"""
_WHICH = "Authority {} of {}: one follows the other, so compare both.\n"
_ANCHOR = """\
{which}Subject: {subject}
Valid:   {begin:%Y-%m-%d} to {end:%Y-%m-%d} (UTC)
SHA-256 fingerprint:
  {first}
  {second}
"""
_BEYOND = re.compile(r"[^ -~]")


def trust_html(anchors: Sequence[Anchor]) -> bytes:
    """Give the page for people."""
    return _HTML.render(anchors=anchors, speakable=speakable).encode()


def trust_text(anchors: Sequence[Anchor]) -> bytes:
    """Give the same as text that is a certificate file too (RFC 7468 section 5.2), all ASCII.

    No line of its words begins with a hyphen, so that none is taken for the mark of a block, and
    none is anything but ASCII: there are readers of such files that take nothing else.
    """
    described = [
        _ANCHOR.format(
            which=_WHICH.format(number, len(anchors)) if len(anchors) > 1 else "",
            subject=_plain(one.subject),
            begin=one.not_before,
            end=one.not_after,
            first=one.fingerprint[:_HALF],
            second=one.fingerprint[_HALF:],
        )
        for number, one in enumerate(anchors, 1)
    ]
    blocks = b"".join(one.pem for one in anchors)
    return "\n".join([_WORDS, *described, ""]).encode("ascii") + blocks


def _plain(subject: str) -> str:
    """Write what is not printable ASCII as hex pairs of its UTF-8 form (RFC 4514 section 2.4)."""
    return _BEYOND.sub(lambda found: _hex_pairs(found[0]), subject)


def _hex_pairs(character: str) -> str:
    return "".join(f"\\{octet:02X}" for octet in character.encode("utf-8", "surrogatepass"))
