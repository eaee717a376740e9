"""Checksum lists as `sha256sum` and its kin write them, and sidecar files.

GNU coreutils 9.1 manual, "md5sum invocation" and "cksum invocation"; the tagged form is that of BSD
and, without blanks, of `openssl dgst`. A sidecar lies beside the file that it is named for
(`x.iso.sha256`) and may hold the digest alone.
"""

from __future__ import annotations

import posixpath
import re
from binascii import unhexlify
from itertools import chain
from typing import TYPE_CHECKING, BinaryIO

from depotserve.tree.digests import named, parse_hex
from depotserve.tree.entry import shown
from depotserve.tree.expectations import cleartext
from depotserve.tree.expectations.catalogs.facts import digest_of
from depotserve.tree.expectations.cleartext import BEGIN, SIGNATURE
from depotserve.tree.expectations.listed import (
    LONGEST_LINE,
    Dialect,
    Item,
    Listed,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
)
from depotserve.tree.expectations.lists import list_names
from depotserve.tree.expectations.lists.records import Line, head_of, pieces_of, plain, split

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tree.expectations.lists.list_names import ListName

__all__ = ["dialect_of", "read"]

_HEAD = 2 * LONGEST_LINE  # holds the first record and enough of the second to tell how they end
# After so many lines of which none was read it is another kind of file.
_MOST_IN_VAIN = 1000
_MOST_OF_ONE = 16  # digests of one file
_PLAIN = re.compile(
    rb"(?P<escaped>\\)?(?P<digest>[0-9A-Fa-f]+)[ \t](?P<mark>[ *](?=.))?(?P<name>.+)", re.DOTALL
)
# The commonest line, which needs no further look: no escape, no CR, no NUL.
_QUICK = re.compile(rb"([0-9A-Fa-f]+) [ *]([^\0\r]+)", re.DOTALL)
# Greedy: the last `) = ` ends the name.
_TAGGED = re.compile(
    rb"(?P<escaped>\\)?(?P<tag>[A-Za-z0-9][A-Za-z0-9/-]{0,15}) ?\((?P<name>.+)\) ?= ?"
    rb"(?P<digest>[0-9A-Fa-f]+|[0-9A-Za-z+/]+={0,2})",
    re.DOTALL,
)
# Of the file beside the list; also as OCI writes a digest, and `openssl dgst` one of its input.
_ALONE = re.compile(
    rb"(?:(?P<tag>[A-Za-z0-9][A-Za-z0-9/-]{0,15})?(?: ?[:=] ?|\(stdin\) ?= ?))?"
    rb"(?P<digest>[0-9A-Fa-f]+)[ \t]*"
)
_RECORD = rb"(?:[0-9A-Fa-f]{2,}[ \t]|[A-Z0-9][A-Za-z0-9/-]{0,15} ?\()"
_BEGINS = re.compile(_RECORD)
_BEGINS_LATER = re.compile(rb"\n" + _RECORD)
_COMMENTS = (b"#", b";")
_ESCAPED = re.compile(rb"\\(.?)", re.DOTALL)
_UNESCAPED = {b"\\": b"\\", b"n": b"\n", b"r": b"\r"}


class _LineError(Exception):
    """A line that says nothing; the text says why."""


def dialect_of(name: bytes) -> Dialect | None:
    """Tell by a file's name whether it is a checksum list."""
    return _DIALECT if list_names.looks_like_list(name) else None


def read(stream: BinaryIO, place: Place) -> Iterator[Item]:
    """Read a checksum list, clear-signed or not.

    Raises UnusableError where nothing could be read; NotAListError for a signature alone (`.asc`),
    or where the name is one that programs and other texts have too.
    A sidecar that does not name the file beside it is said to be unreadable at its first entry,
    and what it names is listed all the same.
    """
    pieces = plain(pieces_of(stream))
    head = head_of(pieces, _HEAD)
    end = b"\0" if _ends_in_nul(head) else b"\n"
    lines = split(chain((head,), pieces), end)
    own = list_names.recognise(place.name)
    items = _List(place, own, escapes=end == b"\n").items(lines)
    yield from _of_one_file(items, own.beside, place) if own.beside else items


_DIALECT = Dialect("checksum list", read)


def _ends_in_nul(head: bytes) -> bool:
    """Tell whether records end as `--zero` ends them: a NUL, and then another record or nothing."""
    first, nul, rest = head.partition(b"\0")
    if not nul or not _BEGINS.match(first):
        return False
    if first.endswith(b"\n") or _BEGINS_LATER.search(first):
        return False  # lines, with a NUL among them
    return not rest or _BEGINS.match(rest) is not None


def _of_one_file(items: Iterator[Item], own: bytes, place: Place) -> Iterator[Item]:
    """Let what a list says of the file that it is named for be said of the one beside it.

    A list of this file alone may name it by where it lay when the list was made.
    """
    held: list[Listed] = []
    alone, near = True, place.neighbour(own)
    for item in items:
        if isinstance(item, Unreadable):
            yield item
        elif alone and _is_another_of(held, item, own):
            held.append(item)
        else:
            yield from held
            held, alone = [], False
            yield item._replace(path=near) if item.path == own else item
    # Where there is such a file below the list's folder, that is the one.
    if held and place.beside(held[0].path) is not None:
        near = held[0].path
    yield from (one._replace(path=near) for one in held)


def _is_another_of(held: list[Listed], item: Listed, own: bytes) -> bool:
    """Tell an entry of a file called `own` elsewhere, the first one or one of the same file."""
    if item.path == own or posixpath.basename(item.path) != own:
        return False
    return not held or (item.path == held[0].path and len(held) < _MOST_OF_ONE)


class _List:
    """A list that is being read."""

    def __init__(self, place: Place, own: ListName, *, escapes: bool) -> None:
        self._place = place
        self._own = own
        self._escapes = escapes  # False: records end in NUL, and need none
        self._single: bool | None = None  # one blank before names, once a line has shown it
        self._first: Listed | None = None
        self._is_settled = False  # of lines with two characters before names
        self._algorithm, self._digits = "", 0  # of the first entry
        self._names_own = False
        self._began = False  # whether a line that is not blank was seen
        self._in_vain = 0
        self._held: list[Item] = []  # at most _MOST_IN_VAIN

    def items(self, lines: Iterator[Line]) -> Iterator[Item]:
        for number, line in lines:
            # Nearly all lines of a large list; the rest goes through every check.
            quick = _QUICK.fullmatch(line) if self._is_settled and line is not None else None
            if quick and len(quick[1]) == self._digits:
                # Half the time of a call of the class, which checks its arguments by name.
                digest = self._algorithm, unhexlify(quick[1])
                yield _new(Listed, (quick[2], number, None, (digest,), b""))
                continue
            for at, one in self._signed_or_all(number, line, lines):
                # As coreutils has it: a comment begins its line, blanks before an entry go.
                text = None if one is None else one.lstrip(b" \t")
                if one is None or (text and not one.startswith(_COMMENTS)):
                    yield from self._in_turn(self._item(at, text))
        if self._first is not None:
            yield from self._stranger(self._first)
        else:
            raise self._useless("no line could be read" if self._in_vain else "holds no entry")

    def _settle(self, first: Listed) -> None:
        """Note that the list has shown to be one, and what its other lines are likely to be."""
        self._is_settled = self._single is False and not self._own.beside
        ((self._algorithm, digest),) = first.digests
        self._digits = 2 * len(digest)

    def _signed_or_all(
        self, number: int, line: bytes | None, lines: Iterator[Line]
    ) -> Iterator[Line]:
        """Give the lines that count, without the CR of a CR LF: this one, or the signed ones."""
        text = line
        if self._escapes and line is not None and line.endswith(b"\r"):
            text = line[:-1]
        bare = b"?" if text is None else text.rstrip(b" \t")
        if bare == BEGIN:
            if self._began:
                raise UnusableError(f"lines stand before the signed text of line {number}")
            rest = (cleartext.Line(at, one or b"", one is not None) for at, one in lines)
            for found in cleartext.signed_part(rest):
                yield found.number, found.text if found.whole else None
        elif bare == SIGNATURE and self._own.armoured and not self._began:
            raise NotAListError("a signature without what it signs")
        else:
            yield number, text
        self._began = self._began or bare != b""

    def _in_turn(self, item: Item) -> Iterator[Item]:
        """Hold back what a file that may be no list is blamed for, until it has shown to be one."""
        self._held.append(item)
        if self._first is not None or not self._own.is_vague:
            yield from self._held
            self._held.clear()

    def _useless(self, why: str) -> UnusableError:
        return NotAListError(why) if self._own.is_vague else UnusableError(why)

    def _item(self, number: int, text: bytes | None) -> Item:
        try:
            entry = self._entry(number, text)
        except _LineError as error:
            self._in_vain += 1
            if self._first is None and self._in_vain > _MOST_IN_VAIN:
                raise self._useless(f"none of its first {number} lines could be read") from error
            return Unreadable(number, str(error))
        if self._first is None:
            self._first = entry
            self._settle(entry)
        if self._own.beside:
            self._names_own |= posixpath.basename(entry.path) == self._own.beside
        return entry

    def _entry(self, number: int, text: bytes | None) -> Listed:
        if text is None:
            raise _LineError(f"longer than {LONGEST_LINE} bytes")
        if b"\0" in text:
            raise _LineError("holds a NUL, which no name can")
        alone = _ALONE.fullmatch(text) if self._own.beside else None
        if alone:
            digest = _tagged_digest(alone) if alone["tag"] else self._digest(alone["digest"])
            return Listed(self._own.beside, number, None, (digest,))
        found = _PLAIN.fullmatch(text)  # most lines are; no known tag looks like a digest
        if found:
            digest = self._digest(found["digest"])
            name = self._marked(found["mark"] or b"", self._name(found))
            # `-` is what a digest of standard input is called.
            own = name == b"-" and self._own.beside
            return Listed(own or name, number, None, (digest,))
        tagged = _TAGGED.fullmatch(text)
        if tagged:
            return Listed(self._name(tagged), number, None, (_tagged_digest(tagged),))
        raise _LineError("no digest and name")

    def _digest(self, digits: bytes) -> tuple[str, bytes]:
        algorithm = self._own.algorithm_of(len(digits))
        value = parse_hex(digits, algorithm) if algorithm else None
        if algorithm is None or value is None:
            wanted = self._own.says or "that is known"
            raise _LineError(f"{len(digits)} digits are no digest {wanted}")
        return algorithm.name, value

    def _name(self, found: re.Match[bytes]) -> bytes:
        if not found["escaped"]:
            return found["name"]
        if not self._escapes:
            raise _LineError("escaped, in a list that needs no escapes")
        return _ESCAPED.sub(_unescaped, found["name"])

    def _marked(self, mark: bytes, name: bytes) -> bytes:
        """Take off the mark before a name; a list of the form without marks has none to take off.

        As coreutils does: names that begin with a blank cannot be passed off for others.
        """
        if not mark and self._single is False:
            raise _LineError("one blank before the name, where the lines before have two")
        self._single = not mark if self._single is None else self._single
        return mark + name if self._single else name

    def _stranger(self, first: Listed) -> Iterator[Unreadable]:
        own = self._own.beside
        if own and not self._names_own and self._place.beside(own) is not None:
            why = f"names {shown(first.path)}, not {shown(own)}, which it stands beside"
            yield Unreadable(first.line, why)


_new = tuple.__new__


def _tagged_digest(found: re.Match[bytes]) -> tuple[str, bytes]:
    tag = found["tag"].decode("ascii")
    algorithm = named(tag)
    if algorithm is None:
        raise _LineError(f"{tag} is no digest that is known here")
    value = digest_of(found["digest"].decode("ascii"), algorithm)
    if value is None:
        raise _LineError(f"{len(found['digest'])} digits are no digest {tag}")
    return algorithm.name, value


def _unescaped(found: re.Match[bytes]) -> bytes:
    if found[1] not in _UNESCAPED:
        raise _LineError("a backslash that escapes nothing")
    return _UNESCAPED[found[1]]
