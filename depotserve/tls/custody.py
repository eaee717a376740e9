"""The certificate files of a home: prepared beside those in force, then put in their place."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

from depotserve.errors import CallerError, DepotError, SurroundingsError
from depotserve.home import New, is_there, read_bounded, sweep, sync_folder, write_files
from depotserve.tls.arrange import arrange
from depotserve.tls.pem import read_chain, read_pairs

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from cryptography import x509

    from depotserve.home import Home
    from depotserve.tls.pem import Credential

__all__ = ["PemPair", "activate", "anchors", "finish", "lay_by", "read_live", "read_prepared"]

_MOST_PEM = 1 << 20  # bytes; a chain has a few thousand
_SECRET, _PUBLIC = 0o600, 0o644


@attrs.frozen
class PemPair:
    """A server's chains, leaf first, and their keys: PEM text as it lies on the disk."""

    certificate: bytes
    key: bytes = attrs.field(repr=False)


def read_live(home: Home) -> PemPair:
    """Read the certificate in force and its key, and see that they belong together.

    A change that a power cut left between its two files counts as done. Raises CallerError naming
    what is wrong with either file, SurroundingsError if one cannot be read.
    """
    found = PemPair(_read(home.certificate), _read(home.key))
    try:
        _match(found, home.certificate, home.key)
    except CallerError:
        if not is_there(home.next_certificate):
            raise
        moved = PemPair(_read(home.next_certificate), found.key)
        with contextlib.suppress(CallerError):
            _match(moved, home.next_certificate, home.key)
            return moved
        raise
    return found


def read_prepared(home: Home) -> PemPair | None:
    """Read the prepared certificate and its key; None unless both are there and a pair.

    Raises SurroundingsError if they cannot be read.
    """
    if not is_there(home.next_key) or not is_there(home.next_certificate):
        return None
    found = PemPair(_read(home.next_certificate), _read(home.next_key))
    try:
        _match(found, home.next_certificate, home.next_key)
    except CallerError:
        return None
    return found


def lay_by(home: Home, pair: PemPair, *, beside: Sequence[New] = ()) -> None:
    """Write a prepared certificate and its key, in the place of an earlier one.

    `beside` are files of HOME/tls that must come with them, or not at all. New files get owner
    and mode of those in force, so that the service can show what is prepared. Raises
    SurroundingsError with nothing changed if one cannot be written.
    """
    write_files(
        [
            *beside,
            _waiting(home.next_key, pair.key, _SECRET, home.key),
            _waiting(home.next_certificate, pair.certificate, _PUBLIC, home.certificate),
        ]
    )


def _waiting(path: Path, content: bytes, mode: int, like: Path) -> New:
    """Describe a file to be renamed later: a symlink there would go along, so it is replaced."""
    return New(path, content, mode, follow=False, like=like)


def activate(home: Home) -> None:
    """Put the prepared certificate in force: a depot that runs takes it within 3 s.

    Raises CallerError if none is prepared, SurroundingsError if the files cannot be renamed.
    """
    if read_prepared(home) is None:
        raise CallerError(
            "no certificate is prepared",
            where=str(home.next_certificate),
            allowed="depotserve cert issue --prepare makes one",
        )
    for target in (home.key, home.certificate):
        _check_place(target)
    _move(home.next_key, home.key)
    _move(home.next_certificate, home.certificate)


def finish(home: Home) -> None:
    """Finish a change that was interrupted between its two files; mostly nothing is to do.

    What an interrupted write left beside them, keys among it, is removed.
    """
    sweep(home.key.parent)
    with contextlib.suppress(DepotError):
        found = read_live(home)
        if found.certificate != _read(home.certificate):
            _move(home.next_certificate, home.certificate)


def anchors(home: Home) -> tuple[x509.Certificate, ...]:
    """Give the roots that clients of this depot need, the one in use first.

    Those are the roots of the certificate in force and of the prepared one, and, while one
    authority follows another, both. Raises CallerError or SurroundingsError if none can be found.
    """
    rolling = is_there(home.next_authority) or is_there(home.old_authority)
    known = [*_certificates(home.authority), *_certificates(home.anchors)]
    beside = [*_certificates(home.next_authority), *_certificates(home.old_authority)]
    found = [root for pair in _pairs(home) for root in _roots(pair, [*known, *beside])]
    if rolling:
        found += [*_certificates(home.authority), *beside]
    if not found:
        raise CallerError(
            "the root of the certificate in force is not known",
            where=str(home.anchors),
            allowed="depotserve cert install takes it along with the certificate",
        )
    return tuple(dict.fromkeys(found))


def _pairs(home: Home) -> Iterable[PemPair]:
    yield read_live(home)
    prepared = read_prepared(home)
    if prepared is not None:
        yield prepared


def _roots(pair: PemPair, known: list[x509.Certificate]) -> Iterable[x509.Certificate]:
    for one in read_pairs(pair.certificate, pair.key, certificate_name="", key_name=""):
        root = arrange(one.chain.leaf, one.chain.certificates[1:], known).root
        if root is not None:
            yield root


def _certificates(path: Path) -> tuple[x509.Certificate, ...]:
    """Give the certificates of a file; none if there is no such file."""
    if not is_there(path):
        return ()
    return read_chain(_read(path), name=path.name).certificates


def _read(path: Path) -> bytes:
    return read_bounded(path, _MOST_PEM)


def _match(pair: PemPair, certificate: Path, key: Path) -> tuple[Credential, ...]:
    return read_pairs(
        pair.certificate, pair.key, certificate_name=certificate.name, key_name=key.name
    )


def _check_place(target: Path) -> None:
    """Refuse a symlink to where no file can be renamed to, before anything is."""
    real = Path(os.path.realpath(target))
    try:
        near = os.stat(real.parent).st_dev == os.stat(target.parent).st_dev
    except OSError as error:
        raise SurroundingsError(error.strerror or "is missing", where=str(real.parent)) from error
    if not near:
        raise CallerError(
            "links to another file system, where it cannot be replaced at once",
            where=str(target),
            allowed="let the file itself lie there",
        )


def _move(source: Path, target: Path) -> None:
    """Rename a file over another, whose owner and mode it takes, and make that last."""
    real = os.path.realpath(target)
    try:
        with contextlib.suppress(FileNotFoundError, PermissionError):
            old = os.stat(real)
            os.chown(source, old.st_uid, old.st_gid)
            os.chmod(source, old.st_mode & 0o7777)
        os.rename(source, real)
        sync_folder(Path(real).parent)
    except OSError as error:
        raise SurroundingsError(
            error.strerror or "cannot be replaced", where=str(target)
        ) from error
