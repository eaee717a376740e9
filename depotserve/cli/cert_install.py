"""`depotserve cert install`: take in the certificate that another authority issued."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import attrs
import click
from cryptography.hazmat.primitives import hashes

from depotserve import clock
from depotserve.cli.options import (
    home_option,
    json_option,
    passphrase_file_option,
    read_passphrase,
)
from depotserve.cli.printable import printable
from depotserve.home import find
from depotserve.tls import describe
from depotserve.tls.install import Given, Installed, install
from depotserve.tls.names import parse_host

if TYPE_CHECKING:
    from datetime import datetime

    from cryptography import x509

    from depotserve.tls import Description

__all__ = ["cert_install"]

_FILE = click.Path(path_type=Path, readable=False)


@click.command("install")
@click.option(
    "--cert",
    "certificates",
    type=_FILE,
    multiple=True,
    required=True,
    help="What the authority handed back: PEM, DER, PKCS #7 or PKCS #12; may be repeated.",
)
@click.option("--key", type=_FILE, help="Its private key. Default: the one here that fits.")
@click.option("--ca", "authority", type=_FILE, help="More of its authorities' certificates.")
@click.option(
    "--host",
    "hosts",
    multiple=True,
    metavar="NAME-OR-IP",
    help="Name or address that it must cover; may be repeated. Default: those of the certificate"
    " in force, except loopback ones.",
)
@passphrase_file_option
@click.option("--prepare", is_flag=True, help="Lay it beside; cert issue --activate uses it.")
@home_option
@json_option
def cert_install(  # noqa: PLR0913  # one for each option
    certificates: tuple[Path, ...],
    key: Path | None,
    authority: Path | None,
    hosts: tuple[str, ...],
    passphrase_file: Path | None,
    home: Path | None,
    *,
    prepare: bool,
    as_json: bool,
) -> None:
    """Put the certificate that your organisation's authority issued in force.

    The chain is put in order and must reach its root, which clients need and which is never
    sent. A certificate that clients would refuse is refused here, and then nothing has changed.
    Whether it was revoked is not checked.
    """
    passphrase = None if passphrase_file is None else read_passphrase(passphrase_file)
    names = tuple(map(parse_host, hosts))
    given = Given(certificates, key, authority, names, passphrase)
    place = find(home)
    now = clock.read(place).believed
    done = install(place, given, prepare=prepare, now=now)
    shown = _Shown(done, describe(done.accepted.pair.certificate), prepare, now)
    click.echo(json.dumps(shown.document()) if as_json else printable_lines(shown.lines()))


def printable_lines(lines: list[str]) -> str:
    """Join lines of which each stays one."""
    return "\n".join(map(printable, lines))


@attrs.frozen
class _Shown:
    """What install says when it is done."""

    done: Installed
    found: Description
    prepared: bool
    now: datetime

    def document(self) -> dict[str, Any]:
        root = self.done.accepted.root
        return {
            "state": "prepared" if self.prepared else "in force",
            "names": list(self.found.names),
            "not_before": self.found.not_before.isoformat(),
            "not_after": self.found.not_after.isoformat(),
            "days": self._days(),
            "fingerprint": self.found.fingerprint,
            "issuer": self.found.issuer,
            "key_from": self.done.accepted.key_from,
            "root": {"subject": root.subject.rfc4514_string(), "fingerprint": _fingerprint(root)},
            "own_authority": self.done.own,
            "notes": self._notes(),
        }

    def lines(self) -> list[str]:
        facts = {
            "state": "prepared" if self.prepared else "in force",
            "names": ", ".join(self.found.names),
            "valid": f"{self._days()} more days, until {self.found.not_after:%Y-%m-%d %H:%M} UTC",
            "fingerprint": f"SHA-256 {self.found.fingerprint}",
            "issuer": self.found.issuer,
            "key": f"found in {self.done.accepted.key_from}",
        }
        shown = [f"{key:<12}{value}" for key, value in facts.items()]
        return [*shown, *(f"note        {note}" for note in self._notes()), *self._next()]

    def _days(self) -> int:
        return (self.found.not_after - self.now).days

    def _notes(self) -> list[str]:
        notes = [
            f"{one.subject.rfc4514_string() or 'a certificate without a subject'}"
            " has no part in the chain and was left out"
            for one in self.done.accepted.others
        ]
        if self.done.superseded:
            notes.append("the certificate that had been prepared before is gone")
        return notes

    def _next(self) -> list[str]:
        live = "A depot that runs takes it within 3 seconds, without a restart."
        later = "Put it in force with: depotserve cert issue --activate"
        if self.done.own:
            return [later if self.prepared else live, "It is signed by this depot's authority."]
        root = self.done.accepted.root.subject.rfc4514_string()
        return [
            later if self.prepared else live,
            f"Clients need the root {root}; to those that lack it, give what this writes:",
            "  depotserve cert trust --for CLIENT --out FILE",
        ]


def _fingerprint(certificate: x509.Certificate) -> str:
    return certificate.fingerprint(hashes.SHA256()).hex(":").upper()
