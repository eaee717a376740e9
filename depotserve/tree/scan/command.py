"""Any scanner that is a command: one run a file, its exit status read by the settings."""

from __future__ import annotations

import hashlib
import os
import re
from typing import TYPE_CHECKING

import attrs

from depotserve.cores import usable_cores
from depotserve.errors import CallerError
from depotserve.tree.scan.running import Ran, run
from depotserve.tree.scan.settings import FILE, Settings, split
from depotserve.tree.scan.verdict import Answer, GoneError, Verdict, Version, one_line

if TYPE_CHECKING:
    from depotserve.tree.scan.content import Content
    from depotserve.tree.scan.stopping import Stopping

__all__ = ["Command", "parse_command"]

_BESIDE = re.compile(r"[A-Za-z0-9_.:=/@%+-]*")
_ALLOWED = "allowed is such as 'scanner --quiet {file}'"


def parse_command(text: str) -> tuple[str, ...]:
    """Take a scanner's command apart; no shell has a part in it. Raises CallerError."""
    try:
        words = split(text)
    except ValueError as error:
        raise CallerError(f"--command is no command: {error}", allowed=_ALLOWED) from error
    if not any(FILE in word for word in words[1:]) or FILE in words[0]:
        raise CallerError("--command has no argument {file}", allowed=_ALLOWED)
    for word in words:
        # A name within a word that something else takes apart again could be a command of its own.
        if FILE in word and not _BESIDE.fullmatch(word.replace(FILE, "")):
            raise CallerError(
                f"--command: {{file}} stands amid {word!r}",
                allowed="allowed is {file} alone, or after an option as in --file={file}",
            )
    return words


@attrs.frozen
class Command:
    """A scanner's command, as `parse_command` gives it."""

    words: tuple[str, ...]
    settings: Settings = attrs.field(factory=Settings)

    @property
    def way(self) -> str:
        """Name the command and what its statuses mean: with others, verdicts may be others."""
        return repr((self.words, self.settings.clean, self.settings.infected))

    @property
    def at_once(self) -> int:
        """Run as many as there are cores."""
        return usable_cores()

    @property
    def largest(self) -> int | None:
        """Say the most bytes of a file that settings allow."""
        return self.settings.largest

    def version(self, stop: Stopping) -> Version:
        """Run the command that prints the version. Raises GoneError and StoppedError."""
        if not self.settings.version:
            return Version(one_line(self.words[0]))
        ran = self._run(self.settings.version, stop)
        whole = ran.output.strip()
        line = one_line(whole.split(b"\n", 1)[0])
        if ran.status != 0 or not line or not line.isprintable():
            raise self._gone(" ".join(self.settings.version), f"gives no version: {ran.words}")
        engine, _, signatures = line.partition("/")
        # What follows the first line may be what changes with the signatures.
        rest = hashlib.sha256(whole).hexdigest()[:16]
        return Version(engine, f"{signatures} {rest}".strip() if b"\n" in whole else signatures)

    def is_dated(self, _version: Version) -> bool:
        """Tell whether there is a command that names it."""
        return bool(self.settings.version)

    def ask(self, content: Content, stop: Stopping) -> Answer:
        """Run the command on one file. Raises GoneError and StoppedError."""
        ran = self._run([_filled(word, content.path) for word in self.words], stop)
        if ran.status in self.settings.clean:
            return Answer(Verdict.CLEAN)
        if ran.status in self.settings.infected:
            return Answer(Verdict.INFECTED, _signature(ran.output, content.path))
        return Answer(Verdict.NO_ANSWER, f"the scanner failed: {ran.words}")

    def _run(self, words: list[bytes] | tuple[str, ...], stop: Stopping) -> Ran:
        try:
            return run(words, self.settings.seconds, stop)
        except OSError as error:
            reason = error.strerror or type(error).__name__
            raise self._gone(os.fsdecode(words[0]), reason) from error

    @staticmethod
    def _gone(where: str, what: str) -> GoneError:
        return GoneError(f"the scanner cannot be asked: {what}", where=where)


def _filled(word: str, path: bytes) -> bytes:
    return os.fsencode(word).replace(FILE.encode(), path)


def _signature(output: bytes, path: bytes) -> str:
    """Take the signature's name from a scanner's own words: its first line, less the path.

    The path goes first, since a name may hold a line end.
    """
    lines = output.replace(path, b"").strip().split(b"\n")
    said = one_line(lines[0])
    return said.removesuffix(" FOUND").strip(" :") or "the scanner gives no name"
