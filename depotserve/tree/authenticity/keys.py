"""The keys that a person has pinned, by vendor: a small folder that never came with the files.

`VENDOR.asc`, `.gpg` or `.pgp` hold OpenPGP keys, `VENDOR.pem`, `.crt`, `.cer` or `.der` X.509
certificates: authorities whose signers count, or signers themselves. A folder `VENDOR` may hold
several of both.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

from depotserve.errors import CallerError, SurroundingsError
from depotserve.home import read_bounded
from depotserve.tree.authenticity import pinned_certificates, pinned_openpgp
from depotserve.tree.authenticity.armour import BrokenError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from cryptography import x509

    from depotserve.tree.authenticity.pinned import Found, Pinned

__all__ = ["Keys", "load_keys"]

_MOST_FILES = 1000
_MOST_BYTES = (
    8 * 1024 * 1024
)  # of one file; the largest distributions' keyrings have some hundred KiB
_OPENPGP = (".asc", ".gpg", ".pgp")
_X509 = (".pem", ".crt", ".cer", ".der")
_ALLOWED = "keys lie in it as VENDOR.asc or VENDOR.pem, or several in a folder VENDOR"


@attrs.frozen
class Keys:
    """All pinned keys."""

    pinned: tuple[Pinned, ...] = ()
    # OpenPGP: what gpgv gets as its keyring, the vendor of each primary key by its fingerprint,
    # and that fingerprint by the key IDs (eight octets) of these and of their subkeys.
    keyring: bytes = attrs.field(default=b"", repr=False)
    vendors: dict[str, str] = attrs.field(factory=dict)
    key_ids: dict[bytes, str] = attrs.field(factory=dict)
    certificates: dict[str, tuple[x509.Certificate, ...]] = attrs.field(factory=dict)  # by vendor

    def owner(self, key_ids: Iterable[bytes]) -> tuple[str | None, str]:
        """Give vendor and fingerprint of the OpenPGP key that one of the key IDs names."""
        name = next((self.key_ids[one] for one in key_ids if one in self.key_ids), "")
        return self.vendors.get(name), name

    def describe(self) -> list[dict[str, str | int | bool | None]]:
        """Give each key for a report: vendor, kind, fingerprint, expiry, whether it is revoked.

        The expiry is in seconds since 1970, None for never.
        """
        return [attrs.asdict(one, filter=attrs.filters.exclude("file")) for one in self.pinned]


def load_keys(folder: Path, *, tree: Path) -> Keys:
    """Read the folder of pinned keys.

    Raises CallerError naming the file: if it lies in the tree, or leads there, since a key from the
    same medium proves nothing; if it holds a private key, no key, or anything else; if one key is
    pinned for two vendors. SurroundingsError if a file cannot be read.
    """
    real_tree = Path(os.path.realpath(tree))
    _outside(folder, real_tree)
    openpgp: list[Found] = []
    certificates: list[Found] = []
    for vendor, path in _files(folder):
        _outside(path, real_tree)
        content = _content(path)
        try:
            if path.suffix.lower() in _OPENPGP:
                openpgp += pinned_openpgp.read(content, vendor, path.name)
            else:
                certificates += pinned_certificates.read(content, vendor, path.name)
        except BrokenError as error:
            raise CallerError(str(error), where=str(path)) from error
    if not openpgp and not certificates:
        raise CallerError("holds no keys", where=str(folder), allowed=_ALLOWED)
    return _keys(_each_once(openpgp), _each_once(certificates))


def _content(path: Path) -> bytes:
    content = read_bounded(path, _MOST_BYTES)
    if not content.strip():
        raise CallerError("is empty", where=str(path))
    return content


def _outside(path: Path, tree: Path) -> None:
    real = Path(os.path.realpath(path))
    if real == tree or tree in real.parents:
        raise CallerError(
            "keys that lie in the tree prove nothing about it",
            where=str(path),
            allowed="pin keys that came another way, in a folder elsewhere",
        )


def _files(folder: Path) -> Iterator[tuple[str, Path]]:
    """Yield vendor and path of every file of keys, in order; each name is one of a key."""
    for path in _listed(folder):
        if not path.is_dir():
            yield _vendor(path), path
            continue
        for one in _listed(path):
            _vendor(one)
            yield path.name, one


def _listed(folder: Path) -> list[Path]:
    try:
        names = sorted(os.listdir(folder))
    except OSError as error:
        why = error.strerror or "cannot be listed"
        if isinstance(error, (FileNotFoundError, NotADirectoryError)):
            raise CallerError("no folder of keys", where=str(folder)) from error
        raise SurroundingsError(why, where=str(folder)) from error
    if len(names) > _MOST_FILES:
        raise CallerError(f"holds more than {_MOST_FILES} files", where=str(folder))
    return [folder / name for name in names]


def _vendor(path: Path) -> str:
    if path.suffix.lower() not in (*_OPENPGP, *_X509) or not path.stem:
        raise CallerError("no file of keys by its name", where=str(path), allowed=_ALLOWED)
    return path.stem


def _each_once(found: Iterable[Found]) -> list[Found]:
    """Keep one of what stands in two files; what they say of it must be the same."""
    once: dict[str, Found] = {}
    for one in found:
        name = one.pinned.fingerprint
        first = once.setdefault(name, one)
        if first.pinned.vendor != one.pinned.vendor:
            vendors = f"{first.pinned.vendor} and {one.pinned.vendor}"
            raise CallerError(f"key {name} is pinned for two vendors, {vendors}")
        if first.content != one.content:
            files = f"{first.pinned.file} and {one.pinned.file}"
            raise CallerError(
                f"key {name} stands in {files} in two states", allowed="keep the newer one"
            )
    return list(once.values())


def _keys(openpgp: list[Found], certificates: list[Found]) -> Keys:
    by_vendor: dict[str, tuple[x509.Certificate, ...]] = {}
    for one in certificates:
        vendor = one.pinned.vendor
        loaded = pinned_certificates.load(one.content, pem=False)
        by_vendor[vendor] = (*by_vendor.get(vendor, ()), *loaded)
    return Keys(
        tuple(one.pinned for one in (*openpgp, *certificates)),
        b"".join(one.content for one in openpgp),
        {one.pinned.fingerprint: one.pinned.vendor for one in openpgp},
        {key_id: one.pinned.fingerprint for one in openpgp for key_id in one.key_ids},
        by_vendor,
    )
