"""People who sign, for tests: keys of gpg in a home of their own, and gpgv as the reference."""

from __future__ import annotations

import os
import re
import subprocess
from typing import TYPE_CHECKING, Any

import attrs
import harness

from depotserve.tree import authenticity
from depotserve.tree.authenticity.clear_signed import take_apart
from depotserve.tree.progress import Silent

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from depotserve.tree.authenticity import Checked, Keys, Verdict

THEN = "20200101T000000"  # a day on which keys that have expired since were made


@attrs.frozen
class Person:
    """Somebody with a key pair; `home` is gpg's."""

    home: Path
    name: str
    fingerprint: str

    def public(self, *, armour: bool = True) -> bytes:
        """Give the public key as it stands now."""
        return gpg(self.home, *["--armor"][: int(armour)], "--export", self.fingerprint)

    def private(self) -> bytes:
        """Give the private key."""
        return gpg(self.home, "--armor", "--export-secret-keys", self.fingerprint)

    def sign(self, content: bytes, *options: str) -> bytes:
        """Make a detached binary signature, or what the options say."""
        return gpg(
            self.home, "--local-user", self.fingerprint, *options, "--detach-sign", stdin=content
        )

    def clear_sign(self, content: bytes, *options: str) -> bytes:
        """Make a clear-signed message."""
        return gpg(
            self.home, "--local-user", self.fingerprint, *options, "--clearsign", stdin=content
        )

    def revocation(self) -> bytes:
        """Give the revocation that gpg made along with the key."""
        stored = self.home / "openpgp-revocs.d" / f"{self.fingerprint}.rev"
        # A colon before the first line keeps it from being imported by mistake.
        text = stored.read_text().replace(":-----BEGIN", "-----BEGIN")
        return text[text.index("-----BEGIN") :].encode()

    def revoke(self) -> None:
        """Import the revocation that gpg made along with the key."""
        gpg(self.home, "--import", stdin=self.revocation())


def gpg(home: Path, *arguments: str, stdin: bytes = b"", status: int = 0) -> bytes:
    """Run gpg; it must end as expected."""
    words = ["gpg", "--homedir", str(home), "--batch", "--quiet", "--yes", "--no-tty"]
    words += ["--trust-model", "always", "--pinentry-mode", "loopback", "--passphrase", ""]
    done = subprocess.run(
        [*words, *arguments], input=stdin, capture_output=True, check=False, timeout=120
    )
    assert done.returncode == status, done.stderr.decode()
    return done.stdout


def person(
    home: Path, name: str, *, kind: str = "ed25519", expire: str = "never", at: str = ""
) -> Person:
    """Make somebody's key pair, today or at another time."""
    harness.need("gpg")
    time = ["--faked-system-time", f"{at}!"] if at else []
    user = f"{name} <{name}@plant.example>"
    gpg(home, *time, "--quick-generate-key", user, kind, "sign", expire)
    listed = gpg(home, "--with-colons", "--list-keys", f"={user}").decode()
    (fingerprint,) = re.findall(r"^fpr:::::::::([0-9A-F]{40}):", listed, re.MULTILINE)
    return Person(home, name, fingerprint)


def gpgv(keys: Iterable[bytes], signature: bytes, content: bytes | None, room: Path) -> set[str]:
    """Ask gpgv itself, as a person would: the words of its status lines.

    Without content the signature is a clear-signed file.
    """
    harness.need("gpgv")
    room.mkdir(exist_ok=True)
    for name, data in {"keyring": b"".join(keys), "s": signature, "c": content or b""}.items():
        (room / name).write_bytes(data)
    words = ["gpgv", "--homedir", room, "--keyring", room / "keyring", "--status-fd", "1"]
    words += [room / "s", room / "c"] if content is not None else [room / "s"]
    done = subprocess.run(
        list(map(str, words)),
        capture_output=True,
        check=False,
        timeout=60,
        env={**os.environ, "LC_ALL": "C"},
    )
    found = set(re.findall(rb"^\[GNUPG:\] (\w+)", done.stdout, re.MULTILINE))
    return {word.decode() for word in found} | {f"exit {done.returncode}"}


def pin(folder: Path, **files: bytes) -> Path:
    """Make a folder of keys: `vendor_asc=...` becomes `vendor.asc`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (folder / ".".join(name.rsplit("_", 1))).write_bytes(content)
    return folder


def check(root: Path, keys: Keys | None) -> dict[str, Verdict | None]:
    """Check every file of a tree: what was found, by the path of the signature."""
    return {os.fsdecode(one.signature): one.verdict for one in checked(root, keys)}


def checked(root: Path, keys: Keys | None) -> list[Checked]:
    """Check every file of a tree."""
    paths = sorted(os.fsencode(one.relative_to(root)) for one in root.rglob("*") if one.is_file())
    return list(authenticity.check_signatures(root, paths, keys, Silent()))


def load(folder: Path, tree: Path) -> Any:
    """Load the pinned keys."""
    return authenticity.load_keys(folder, tree=tree)


def signed_text(content: bytes) -> bytes:
    """Give what is signed of a clear-signed file, its lines ended by LF."""
    return b"".join(line + b"\n" for line in take_apart(content).lines)
