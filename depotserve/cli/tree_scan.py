"""`depotserve tree scan`: every file of a tree through a malware scanner."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from depotserve.cli.options import json_option
from depotserve.cli.printable import printable
from depotserve.cli.progress import Shown
from depotserve.errors import CallerError, SurroundingsError
from depotserve.tree import scan as room
from depotserve.tree.entry import shown as path_words
from depotserve.tree.finding import Kind
from depotserve.tree.state import state_folder

if TYPE_CHECKING:
    from depotserve.tree.finding import Finding
    from depotserve.tree.scan import Scanner, ScanReport

__all__ = ["tree_scan"]

_PATH = click.Path(path_type=Path, readable=False)


@click.command("scan")
@click.argument("tree", type=_PATH)
@click.option("--daemon", metavar="unix:PATH|tcp:HOST:PORT", help="Send files to this scanner.")
@click.option("--command", metavar="'SCANNER {file}'", help="Run this on each file, by no shell.")
@click.option(
    "--settings", type=_PATH, help="What exit statuses mean, limits, the command for the version."
)
@click.option("--state", type=_PATH, help="Remember verdicts here, not in the user's own folder.")
@click.option("--fresh", is_flag=True, help="Scan everything, whatever is remembered.")
@json_option
@click.pass_context
def tree_scan(  # noqa: PLR0913  # one for each option
    context: click.Context,
    tree: Path,
    *,
    daemon: str | None,
    command: str | None,
    settings: Path | None,
    state: Path | None,
    fresh: bool,
    as_json: bool,
) -> None:
    """Put every file of TREE through your malware scanner, by its daemon or by a command.

    A verdict is remembered by the file's content: what is unchanged is not scanned again until
    engine or signatures change. An infected file is named and left where it is. Exit status 1 if a
    file is infected or was not scanned, 2 if the scanner could not be asked; then run the same
    again: only what is left is scanned. A daemon is sent the files, unencrypted; a command must be
    able to read them.

    Not checked: what the scanner itself passes over. Many call clean what is encrypted, and the
    parts of a file beyond limits of their own: look these up, and set `largest`. Links are not
    followed; devices and the like are never opened.
    """
    scanner = _scanner(daemon, command, settings)
    folder = state_folder(state, tree=tree)
    shown = Shown()
    try:
        report = room.scan(tree, scanner, state=folder, fresh=fresh, progress=shown)
    finally:
        shown.end()
    click.echo(json.dumps(_document(tree, report)) if as_json else _text(tree, report))
    if report.trouble:
        raise SurroundingsError(report.trouble)
    context.exit(report.status)


def _scanner(daemon: str | None, command: str | None, file: Path | None) -> Scanner:
    if (daemon is None) == (command is None):
        raise CallerError("no scanner is named", allowed="give one of --daemon and --command")
    address = None if daemon is None else room.parse_address(daemon)
    words = room.parse_command(command or "") if address is None else ()
    settings = room.read_settings(file) if file else room.Settings()
    return room.Command(words, settings) if address is None else room.Daemon(address, settings)


def _text(tree: Path, report: ScanReport) -> str:
    lines = [_line(finding) for finding in report.findings]
    return "\n".join([*lines, *([""] if lines else []), *_sums(report), "", _next(tree, report)])


def _line(finding: Finding) -> str:
    said = f": {finding.detail}" if finding.detail else ""
    return printable(f"{finding.kind.word:<26}{path_words(finding.path) or '.'}{said}")


def _sums(report: ScanReport) -> list[str]:
    unscanned = report.not_scanned + report.left
    lines = [
        f"Files: {report.files}. Scanned now: {report.scanned}. Remembered: {report.remembered}.",
        f"Infected: {report.infected}. Not scanned: {unscanned}.",
        printable(f"By {report.version.words}, at {report.time}."),
    ]
    if report.links or report.special:
        lines.append(
            f"Passed over: {report.links} links (their targets in the tree are scanned as files)"
            f" and {report.special} devices, pipes or sockets."
        )
    if not report.is_kept:
        lines.append(
            "Nothing is remembered for the next time: the scanner names no version of its"
            " signatures (for --command, settings can name a command that does)."
        )
    return lines


def _next(tree: Path, report: ScanReport) -> str:
    """Say what to do, for the worst of what was found."""
    kinds = {finding.kind for finding in report.findings}
    here = printable(shlex.quote(str(tree)))
    if Kind.INFECTED in kinds:
        return (
            "Next: do not carry this tree. Get each infected file anew from its vendor, or ask them"
            " whether it is a false alarm; then scan again."
        )
    if report.trouble:
        return "Next: get the scanner to work, then run the same again: it scans what is left."
    if not report.files:
        return f"Next: {here} holds no file; see that its disk or share is there."
    if Kind.CHANGED in kinds:
        return "Next: wait until nothing writes into the tree, then run the same again."
    if report.status:
        return (
            "Next: for each file that was not scanned, let the scanner take more, or give yourself"
            " the right to read it; then run the same again."
        )
    return f"Next: depotserve tree check {here} tells whether all is there and undamaged."


def _document(tree: Path, report: ScanReport) -> dict[str, object]:
    return {
        "tree": str(tree),
        "status": report.status,
        "trouble": report.trouble or None,
        "engine": report.version.engine,
        "signatures": report.version.signatures or None,
        "time": report.time,
        "files": report.files,
        "scanned": report.scanned,
        "remembered": report.remembered,
        "infected": report.infected,
        "not_scanned": report.not_scanned,
        "left": report.left,
        "links": report.links,
        "special": report.special,
        "verdicts_kept": report.is_kept,
        "findings": [
            {"kind": one.kind.word, "path": path_words(one.path), "detail": one.detail or None}
            for one in report.findings
        ],
    }
