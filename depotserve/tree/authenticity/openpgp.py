"""OpenPGP signatures over files and in clear-signed ones, checked by gpgv against pinned keys.

gpgv gets, for one signature at a time, its bare packet, the keyring of pinned keys, and the bytes
on its standard input. It never sees armour, clear-signed text or a whole message, whose readings
differ between programs: what is signed is settled here, and is what the caller uses.
"""

from __future__ import annotations

import hashlib
import os
import time
from typing import TYPE_CHECKING

import attrs

from depotserve.tree.authenticity.armour import BrokenError, blocks
from depotserve.tree.authenticity.clear_signed import take_apart
from depotserve.tree.authenticity.packets import (
    SIGNATURE,
    Packet,
    SignatureFacts,
    packets,
    signature_facts,
    tag_of,
)
from depotserve.tree.authenticity.programs import Outcome, feed, program
from depotserve.tree.authenticity.verdict import State, Verdict, together
from depotserve.tree.temporary import files_in_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.tree.authenticity.keys import Keys

__all__ = ["OpenPgp", "signatures_in"]

_MOST_SIGNATURES = 16  # in one file; each by a pinned key is a process
_WEAK = {1: "MD5", 2: "SHA-1", 3: "RIPEMD-160"}  # RFC 9580 §9.5
_BYTES, _TEXT = 0x00, 0x01  # RFC 9580 §5.2.1
# gpgv hashes 19,995 bytes of each line for a signature of text and leaves the rest out.
LONGEST_TEXT_LINE = 19_000


def signatures_in(content: bytes) -> list[Packet]:
    """Read the signatures of a detached signature file, armoured or binary. Raises BrokenError.

    Anything that is no signature is refused: a whole signed message in its place could vouch for
    itself instead of the file.
    """
    if content and content[0] & 0x80:
        return _only_signatures(content)
    found = list(blocks(content))
    if any(one.label != b"SIGNATURE" for one in found):
        raise BrokenError("holds something other than a signature")
    return _only_signatures(b"".join(one.data for one in found))


def _only_signatures(data: bytes) -> list[Packet]:
    # A whole message is told by its first packet; others in it may have no length to read them by.
    is_message = data[:1] >= b"\x80" and tag_of(data[0]) != SIGNATURE
    parts = [] if is_message else list(packets(data))
    if is_message or any(one.tag != SIGNATURE for one in parts):
        raise BrokenError("holds something other than a signature")
    if not parts:
        raise BrokenError("holds no signature")
    if len(parts) > _MOST_SIGNATURES:
        raise BrokenError(f"holds more than {_MOST_SIGNATURES} signatures")
    return parts


class OpenPgp:
    """gpgv and the pinned keys, for as many signatures as there are."""

    def __init__(self, keys: Keys, folder: str) -> None:
        """Use `folder`, which is private and only ours, for what gpgv is given."""
        self._keys, self._folder = keys, folder
        self._gpgv = ""
        with files_in_folder(), open(self._path("keyring"), "wb") as stream:
            stream.write(keys.keyring)

    def detached(self, content: bytes, pieces: Iterable[bytes]) -> Verdict:
        """Check a detached signature file over what `pieces` yield, which is read at most once."""
        try:
            return self.check(signatures_in(content), pieces)
        except BrokenError as error:
            return Verdict(State.UNREADABLE, detail=str(error))

    def clear_signed(self, content: bytes) -> Verdict:
        """Check a clear-signed file; it vouches for the lines of `take_apart` alone."""
        try:
            taken = take_apart(content)
            found = _only_signatures(taken.signature)
        except BrokenError as error:
            return Verdict(State.UNREADABLE, detail=str(error))
        verdict = self.check(found, [b"\n".join(taken.lines)], types=(_TEXT,))
        seen = verdict.sha256 and hashlib.sha256(content).digest()
        return attrs.evolve(verdict, sha256=seen)

    def check(
        self,
        found: Iterable[Packet],
        pieces: Iterable[bytes],
        *,
        types: tuple[int, ...] = (_BYTES, _TEXT),
    ) -> Verdict:
        """Check signature packets over `pieces`, which are read once if a pinned key made any.

        Raises SurroundingsError if gpgv is needed and missing, and what `pieces` raises.
        """
        asked = [self._ask(number, one, types) for number, one in enumerate(found)]
        questions = [one for one in asked if isinstance(one, _Question)]
        settled = [one for one in asked if isinstance(one, Verdict)]
        if not questions:
            return together(settled)
        watched = _Watched(pieces)
        outcomes = feed([one.command for one in questions], watched)
        answers = [
            self._answer(one, outcome, watched.text_trouble)
            for one, outcome in zip(questions, outcomes)
        ]
        return attrs.evolve(together(settled + answers), sha256=watched.digest.digest())

    def _ask(self, number: int, packet: Packet, types: tuple[int, ...]) -> _Question | Verdict:
        """Make a question to gpgv of one signature, or settle it without."""
        try:
            facts = signature_facts(packet.body)
        except BrokenError as error:
            return Verdict(State.UNREADABLE, detail=str(error))
        if facts.type not in types:
            return Verdict(State.UNREADABLE, detail=f"is a signature of type {facts.type:#04x}")
        if not self._keys.owner(facts.key_ids)[1]:
            return _unknown(facts)
        self._gpgv = self._gpgv or program("gpgv", purpose="an OpenPGP signature")
        path = self._path(f"signature-{number}")
        with files_in_folder(), open(path, "wb") as stream:
            stream.write(packet.raw)
        options = ["--homedir", self._folder, "--keyring", self._path("keyring")]
        return _Question(facts, [self._gpgv, *options, "--status-fd", "1", "--", path, "-"])

    def _answer(self, question: _Question, outcome: Outcome, text_trouble: str) -> Verdict:
        facts, status = question.facts, _Status.read(outcome.output)
        vendor, name = self._keys.vendors.get(status.key), status.key
        if outcome.status is None:
            return Verdict(State.UNREADABLE, detail="gpgv did not end in time")
        state = next((state for word, state in _WORDS if word in status.words), None)
        if state is State.BAD:
            vendor, name = self._keys.owner(facts.key_ids)
            return Verdict(State.BAD, vendor, name)
        if state is None or vendor is None or (state is State.GOOD and outcome.status):
            return self._not_settled(facts, status)
        if facts.hash in _WEAK:
            return Verdict(State.WEAK, vendor, name, f"over a {_WEAK[facts.hash]} digest")
        if facts.type == _TEXT and text_trouble:
            return Verdict(State.WEAK, vendor, name, text_trouble)
        return Verdict(state, vendor, name)

    def _not_settled(self, facts: SignatureFacts, status: _Status) -> Verdict:
        vendor, name = self._keys.owner(facts.key_ids)
        if "NO_PUBKEY" in status.words:
            return _unknown(facts)
        if facts.created > time.time():
            return Verdict(State.TOO_EARLY, vendor, name)
        if facts.hash in _WEAK:  # gpgv refuses MD5 by itself
            return Verdict(State.WEAK, vendor, name, f"over a {_WEAK[facts.hash]} digest")
        return Verdict(State.UNREADABLE, vendor, name, "gpgv cannot check this kind of it")

    def _path(self, name: str) -> str:
        return os.path.join(self._folder, name)


@attrs.frozen
class _Question:
    facts: SignatureFacts
    command: list[str]


@attrs.frozen
class _Status:
    """What gpgv says in its machine-readable lines (GnuPG, doc/DETAILS)."""

    words: frozenset[str]
    key: str = ""  # the primary key's fingerprint, of a signature that fits

    @classmethod
    def read(cls, output: bytes) -> _Status:
        """Read the lines; what else gpgv writes is passed over."""
        rows = [
            row.split()
            for row in output.decode("ascii", "replace").splitlines()
            if row.startswith("[GNUPG:] ")
        ]
        words = frozenset(row[1] for row in rows if len(row) > 1)
        valid = [row[11] for row in rows if row[1:2] == ["VALIDSIG"] and len(row) > 11]
        return cls(words, valid[0] if len(valid) == 1 else "")


# Each stands beside VALIDSIG, except BADSIG.
_WORDS = (
    ("BADSIG", State.BAD),
    ("REVKEYSIG", State.REVOKED_KEY),
    ("EXPKEYSIG", State.EXPIRED_KEY),
    ("EXPSIG", State.EXPIRED_SIGNATURE),
    ("GOODSIG", State.GOOD),
)


def _unknown(facts: SignatureFacts) -> Verdict:
    name = facts.key_ids[0].hex().upper() if facts.key_ids else ""
    return Verdict(State.UNKNOWN_KEY, fingerprint=name)


class _Watched:
    """Pieces on their way to gpgv: their SHA-256, and what a signature of text leaves open."""

    def __init__(self, pieces: Iterable[bytes]) -> None:
        self._pieces = pieces
        self.digest = hashlib.sha256()
        self.text_trouble = ""

    def __iter__(self) -> Iterator[bytes]:
        run = 0
        for piece in self._pieces:
            self.digest.update(piece)
            if not self.text_trouble:
                run = self._watch(piece, run)
            yield piece

    def _watch(self, piece: bytes, run: int) -> int:
        """Look for CR and for long lines; gives how long the last line is by now."""
        if b"\r" in piece:
            self.text_trouble = "it is of text and leaves open how the lines of this file end"
        first, *more = piece.split(b"\n")
        longest = max([run + len(first), *map(len, more)])
        if longest > LONGEST_TEXT_LINE:
            self.text_trouble = "it is of text and leaves out what stands far behind in a line"
        return len(more[-1]) if more else run + len(first)
