"""`depotserve cert trust`: the file that a client needs to trust the depot, and the way there."""

from __future__ import annotations

import json
import os
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import attrs
import click
from cryptography import x509

from depotserve import config
from depotserve.cli.options import (
    home_option,
    json_option,
    passphrase_file_option,
    read_passphrase,
)
from depotserve.cli.outputs import check_output
from depotserve.cli.printable import printable
from depotserve.errors import CallerError
from depotserve.home import New, find, write_files
from depotserve.tls import custody, trust
from depotserve.tls.examine import addresses_of, names_of

if TYPE_CHECKING:
    from depotserve.home import Home

__all__ = ["trust_command"]

_WIDTH = 96  # columns of a sentence; what is to be typed stays on its line
_PUBLIC = 0o644


@click.command("trust")
@click.option(
    "--for",
    "client",
    type=click.Choice(trust.CLIENTS),
    required=True,
    help="The client, by what it reads: curl is every program that takes a PEM file.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, readable=False),
    required=True,
    metavar="FILE",
    help="File to write, outside the home and the content.",
)
@click.option("--compatible", is_flag=True, help="For java: a form that old versions read.")
@passphrase_file_option
@home_option
@json_option
def trust_command(
    client: str,
    out: Path,
    passphrase_file: Path | None,
    home: Path | None,
    *,
    compatible: bool,
    as_json: bool,
) -> None:
    """Write the file that a client needs to trust this depot, and say how to install it there.

    It holds the certificates of the depot's authorities and no key. Java's trust store opens with
    the word changeit, unless a passphrase file gives another. Whether a client trusts the depot is
    not tried here; the last steps say how it is seen there.
    """
    found = find(home)
    settings = config.load(found.root)
    word = _word(client, passphrase_file)
    anchors = custody.anchors(found)
    made = trust.form(client, anchors, word=word or trust.STORE_WORD, compatible=compatible)
    files = _numbered(Path(os.path.abspath(out)), len(made.contents))
    for file in files:
        check_output(file, settings)
    given = trust.Given(
        anchors=anchors,
        names=tuple(file.name for file in files),
        places=_places(found, settings),
        word=trust.STORE_WORD if word is None else None,
        compatible=compatible,
    )
    write_files([New(file, content, _PUBLIC) for file, content in zip(files, made.contents)])
    shown = _Shown(client, made.word, files, given, trust.direct(client, given))
    click.echo(json.dumps(shown.document()) if as_json else shown.text())


def _word(client: str, file: Path | None) -> str | None:
    """Give the word that a passphrase file gives for a Java trust store; None if there is none."""
    if file is None:
        return None
    if client != "java":
        raise CallerError(
            f"--passphrase-file has no meaning for {client}", allowed="it is for java"
        )
    word = read_passphrase(file)
    trust.check_word(word)
    return word


def _numbered(first: Path, count: int) -> list[Path]:
    """Name so many files: the first as it is, each further with its number."""
    further = (first.with_name(f"{first.stem}-{at}{first.suffix}") for at in range(2, count + 1))
    return [first, *further]


def _places(home: Home, settings: config.Settings) -> tuple[str, ...]:
    leaf = x509.load_pem_x509_certificate(custody.read_live(home).certificate)
    return trust.places(names_of(leaf), addresses_of(leaf), settings.listeners)


@attrs.frozen
class _Shown:
    """What the command says when it is done."""

    client: str
    form: str
    files: list[Path]
    given: trust.Given
    directions: trust.Directions

    def document(self) -> dict[str, Any]:
        return {
            "client": self.client,
            "form": self.form,
            "files": list(map(str, self.files)),
            "authorities": [
                {
                    "subject": one.subject.rfc4514_string(),
                    "sha256": trust.fingerprint(one),
                    "not_after": f"{one.not_valid_after_utc:%Y-%m-%dT%H:%M:%SZ}",
                }
                for one in self.given.anchors
            ],
            "urls": list(self.given.urls),
            **attrs.asdict(self.directions),
        }

    def text(self) -> str:
        parts = [self._facts()]
        for head, steps in self._parts():
            parts.append(["", head, *(line for step in steps for line in _lines(step))])
        return "\n".join(line for part in parts for line in part)

    def _facts(self) -> list[str]:
        lines = [f"{'written':<12}{printable(str(file))} ({self.form})" for file in self.files]
        for one in self.given.anchors:
            subject = printable(one.subject.rfc4514_string())
            lines.append(f"{'authority':<12}{subject}, until {one.not_valid_after_utc:%Y-%m-%d}")
            lines.append(f"{'SHA-256':<12}{trust.fingerprint(one)}")
        if any(place.endswith(":PORT") for place in self.given.places):
            lines.append("PORT below stands for the port that the depot says at its start.")
        return lines

    def _parts(self) -> list[tuple[str, tuple[trust.Step, ...]]]:
        way = self.directions
        return [
            ("Before the client trusts it", way.compare),
            ("On the client, with the file in the current folder", way.install),
            ("Then test it there", way.test),
        ]


def _lines(step: trust.Step) -> list[str]:
    said = textwrap.wrap(step.say, _WIDTH, initial_indent="  ", subsequent_indent="  ")
    typed = [line for command in step.run for line in command.split("\n")]
    return [*map(printable, said), *(f"      {printable(line)}" for line in typed)]
