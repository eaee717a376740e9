"""Which files of a tree are signatures, what they sign, and whether they are good.

A file's name says what it may sign; what is in it decides what it is.
"""

from __future__ import annotations

import posixpath
import re
import tempfile
from contextlib import contextmanager
from enum import Enum
from typing import TYPE_CHECKING, Callable, NamedTuple

import attrs

from depotserve.tree.authenticity import rpm_signature
from depotserve.tree.authenticity.clear_signed import holds_message, is_clear_signed
from depotserve.tree.authenticity.cms import Cms
from depotserve.tree.authenticity.kinds import Kind, kind_of, what_it_is
from depotserve.tree.authenticity.openpgp import OpenPgp
from depotserve.tree.authenticity.reading import (
    HEAD,
    head_of,
    is_file,
    is_link,
    opened,
    pieces_of,
    read_whole,
)
from depotserve.tree.authenticity.verdict import State, Verdict
from depotserve.tree.temporary import files_in_folder, temporary_folder

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator
    from pathlib import Path

    from depotserve.tree.authenticity.keys import Keys
    from depotserve.tree.progress import Progress

__all__ = ["Checked", "Form", "Signed", "check_beside", "check_signatures", "signed_by"]

_MOST_SIGNATURE = 1024 * 1024  # bytes; one is some hundred, a CMS with its certificates some KiB
_MOST_CLEAR_SIGNED = 16 * 1024 * 1024  # held in memory; the largest known index has some MiB
_MOST_CONVERTED = 4 * 1024 * 1024  # of a file that is tried again with other line ends
_ALWAYS = (b".asc", b".p7s")  # nothing else beside a file is called so; others may be encrypted
_DETACHED = (*_ALWAYS, b".sig", b".sign", b".signature", b".gpg", b".pgp", b".p7", b".p7m", b".cms")
# Names under which a clear-signed message is looked for; `.asc` is one if nothing lies beside it.
_CLEAR = re.compile(
    rb"InRelease|.*(sums?|checksums?|digests?|hashes)(\.txt)?|.*\.(dsc|changes|buildinfo)"
    rb"|.*\.(md5|sha1|sha224|sha256|sha384|sha512|b2)(sums?)?(\.txt)?",
    re.IGNORECASE | re.DOTALL,
)


class Form(Enum):
    """How a signature lies to what it signs."""

    DETACHED = "a file of its own"
    CLEAR = "around the text that it signs"
    PACKAGE = "within the package that it signs"


class Signed(NamedTuple):
    """A file that may be a signature, and the file that it would sign."""

    signature: bytes
    signed: bytes
    form: Form


class Checked(NamedTuple):
    """A signature, what it signs, and what was found; None: not checked, for want of keys."""

    signature: bytes
    signed: bytes
    verdict: Verdict | None


def signed_by(path: bytes, names: Callable[[bytes], bool]) -> Signed | None:
    """Tell by its name what a file may sign; `names` tells whether a file lies at a path.

    None if it is no signature by its name. The file that it signs need not be there.
    """
    name = posixpath.basename(path)
    stem, suffix = _parts(path)
    if suffix == b".rpm":
        return Signed(path, path, Form.PACKAGE)
    if suffix == b".asc" and not names(stem):
        return Signed(path, path, Form.CLEAR)
    if suffix in _DETACHED:
        return Signed(path, stem, Form.DETACHED)
    return Signed(path, path, Form.CLEAR) if _CLEAR.fullmatch(name) else None


def _parts(path: bytes) -> tuple[bytes, bytes]:
    """Split a path before its last dot; what follows that in lower case, as some media have it."""
    stem, suffix = posixpath.splitext(path)
    return stem, suffix.lower()


def check_signatures(
    root: Path,
    paths: Iterable[bytes],
    keys: Keys | None,
    progress: Progress,
    *,
    lists: Collection[bytes] = (),
) -> Iterator[Checked]:
    """Check what is a signature among `paths`, relative to `root`; all else is passed over.

    So are links: what they lead to in the tree is looked at where it lies.
    Those of them that are `lists` are looked into whatever their names: they may be clear-signed.
    Yields as it goes and holds one file's signatures at a time. A file that is looked at here is
    opened once and read once; `Verdict.sha256` is of the bytes that were checked. Without keys
    every verdict is None. Raises SurroundingsError if a program is needed and missing, or the
    folder for temporary files is full.
    """
    progress.begin("checking signatures", 0, 0)
    with _checker(root, keys, progress) as checker:
        for path in paths:
            signed = _signed_at(root, path, is_list=path in lists)
            checked = signed and checker.check(signed)
            if checked:
                progress.step(1, 0)
                yield checked


def _signed_at(root: Path, path: bytes, *, is_list: bool) -> Signed | None:
    """Tell what a file may sign, by its name, and of a list by how it begins."""
    signed = signed_by(path, lambda one: is_file(root, one))
    if signed is None and is_list and is_clear_signed(head_of(root, path)):
        return Signed(path, path, Form.CLEAR)
    return None if signed is None or is_link(root, path) else signed


def check_beside(
    folder: Path, name: bytes, keys: Keys | None, progress: Progress
) -> Iterator[Checked]:
    """Check the signatures over one file, whatever its name: around its text, and beside it.

    Paths are relative to `folder`. Otherwise as `check_signatures`.
    """
    beside = (name + suffix for suffix in _DETACHED)
    signed = [Signed(name, name, Form.CLEAR)]
    signed += [Signed(one, name, Form.DETACHED) for one in beside if is_file(folder, one)]
    with _checker(folder, keys, progress) as checker:
        for one in signed:
            checked = checker.check(one)
            # By its name the file itself may be a signature, over something else.
            if checked and checked.signed == name:
                yield checked


@contextmanager
def _checker(root: Path, keys: Keys | None, progress: Progress) -> Iterator[_Checker]:
    if keys is None:
        yield _Checker(root, None, progress)
        return
    with files_in_folder():
        private = tempfile.TemporaryDirectory(prefix="depotserve-", dir=temporary_folder())
    with private as folder:  # born 0700
        yield _Checker(root, (OpenPgp(keys, folder), Cms(keys, folder)), progress)


@attrs.frozen
class _Checker:
    root: Path
    tools: tuple[OpenPgp, Cms] | None
    progress: Progress

    def check(self, signed: Signed) -> Checked | None:
        """Check one file; None if it proves to be no signature."""
        try:
            if signed.form is Form.PACKAGE:
                return self._package(signed.signature)
            return self._by_content(signed)
        except OSError as error:
            why = f"cannot be read: {error.strerror or type(error).__name__}"
            return Checked(*signed[:2], self.tools and Verdict(State.UNREADABLE, detail=why))

    def _package(self, path: bytes) -> Checked | None:
        with opened(self.root, path) as stream:
            if self.tools is None:
                return Checked(path, path, None) if rpm_signature.is_signed(stream) else None
            verdict = rpm_signature.check_package(stream, self.tools[0])
        return Checked(path, path, verdict) if verdict else None

    def _by_content(self, signed: Signed) -> Checked | None:
        path = signed.signature
        with opened(self.root, path) as stream:
            head = stream.read(HEAD)
            clear = is_clear_signed(head)
            most = _MOST_CLEAR_SIGNED if clear or signed.form is Form.CLEAR else _MOST_SIGNATURE
            content = read_whole(stream, head, most)
        if clear or (signed.form is Form.CLEAR and content and holds_message(content)):
            return Checked(path, path, self._clear(content))
        target, suffix = _parts(path)
        if signed.form is Form.CLEAR and suffix != b".asc":
            return None
        there = is_file(self.root, target)
        if content is None or len(content) > _MOST_SIGNATURE:
            return self._too_long(path, target) if there else None
        return self._detached(path, target, content, there=there)

    def _clear(self, content: bytes | None) -> Verdict | None:
        if self.tools is None:
            return None
        if content is None:
            return Verdict(State.UNREADABLE, detail=f"has more than {_MOST_CLEAR_SIGNED} bytes")
        return self.tools[0].clear_signed(content)

    def _too_long(self, path: bytes, target: bytes) -> Checked:
        detail = f"has more than {_MOST_SIGNATURE} bytes, which is no signature"
        return Checked(path, target, self.tools and Verdict(State.UNREADABLE, detail=detail))

    def _detached(
        self, path: bytes, target: bytes, content: bytes, *, there: bool
    ) -> Checked | None:
        kind = kind_of(content)
        if kind is Kind.KEY or (kind is Kind.OTHER and not there):
            return None
        if self.tools is None:
            return Checked(path, target, None)
        if kind is Kind.OTHER:
            is_broken = not content or _parts(path)[1] in _ALWAYS
            state = State.UNREADABLE if is_broken else State.OTHER_KIND
            return Checked(path, target, Verdict(state, detail=what_it_is(content)))
        if is_link(self.root, target):
            detail = "it signs what a link leads to"
            return Checked(path, target, Verdict(State.OTHER_KIND, detail=detail))
        if not there:
            return Checked(path, target, Verdict(State.ORPHAN))
        tool = self.tools[1] if kind is Kind.CMS else self.tools[0]
        return Checked(path, target, self._over(target, content, tool))

    def _over(self, target: bytes, content: bytes, tool: OpenPgp | Cms) -> Verdict:
        with opened(self.root, target) as stream:
            verdict = tool.detached(content, pieces_of(stream, self.progress))
            if verdict.state is not State.BAD:
                return verdict
            stream.seek(0)
            data = read_whole(stream, b"", _MOST_CONVERTED)
        detail = data and _line_ends(data, lambda other: tool.detached(content, [other]))
        return attrs.evolve(verdict, detail=detail or verdict.detail)


def _line_ends(data: bytes, check: Callable[[bytes], Verdict]) -> str:
    """Tell whether a file that does not fit would fit with other line ends; "" if not."""
    plain = data.replace(b"\r\n", b"\n")
    for other, word in ((plain, "LF"), (plain.replace(b"\n", b"\r\n"), "CR LF")):
        if other != data and check(other).state not in (State.BAD, State.UNREADABLE):
            return f"it would with lines that end in {word}: the line ends were converted"
    return ""
