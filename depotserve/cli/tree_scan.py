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
from depotserve.cli.tree_rules import rule_lines, rule_row, today
from depotserve.errors import CallerError, SurroundingsError
from depotserve.tree import scan as room
from depotserve.tree.acceptance import Accepting, load_rules
from depotserve.tree.entry import shown as path_words
from depotserve.tree.finding import BY_SCAN, Kind
from depotserve.tree.state import state_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tree.acceptance import Rule
    from depotserve.tree.finding import Noted
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
@click.option(
    "--accept", type=_PATH, metavar="FILE", help="Findings that are accepted: conf/accept.yaml."
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
    accept: Path | None,
    state: Path | None,
    fresh: bool,
    as_json: bool,
) -> None:
    """Put every file of TREE through your malware scanner, by its daemon or by a command.

    A verdict is remembered by the file's content: what is unchanged is not scanned again until
    engine or signatures change. An infected file is named and left where it is. Links are not
    followed; devices and the like are never opened. Those, links that lead out of TREE or nowhere,
    and folders that cannot be listed are named too.

    Exit status 1 if anything is infected or could not be scanned, and no rule accepts it; 2 if the
    scanner could not be asked; then run the same again: only what is left is scanned. A daemon is
    sent the files, unencrypted; a command must be able to read them.

    Not checked: what the scanner itself passes over. Many call clean what is encrypted, and the
    parts of a file beyond limits of their own: look these up, and set `largest`.
    """
    scanner = _scanner(daemon, command, settings)
    day = today()
    accepting = Accepting(load_rules(accept, day) if accept else (), day)
    folder = state_folder(state, tree=tree)
    shown = Shown()
    try:
        report = room.scan(
            tree, scanner, state=folder, fresh=fresh, progress=shown, accepting=accepting
        )
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
    parts = [map(_line, report.noted), _sums(report), _rules(report), [_next(tree, report)]]
    return "\n\n".join("\n".join(lines) for part in parts if (lines := list(part)))


def _line(noted: Noted) -> str:
    finding, rule = noted
    said = f": {finding.detail}" if finding.detail else ""
    accepted = "" if rule is None else f"  (accepted by rule {rule + 1})"
    return printable(f"{finding.kind.word:<24}  {path_words(finding.path) or '.'}{said}{accepted}")


def _rules(report: ScanReport) -> Iterator[str]:
    lines = rule_lines(_counted(report), BY_SCAN, otherwise="tree check")
    return (printable(f"{line[0].upper()}{line[1:]}.") for line in lines)


def _counted(report: ScanReport) -> list[tuple[Rule, int]]:
    """Give each rule with how many findings it accepted."""
    return [
        (rule, sum(one.rule == number for one in report.noted))
        for number, rule in enumerate(report.rules)
    ]


def _sums(report: ScanReport) -> list[str]:
    unscanned = report.not_scanned + report.left
    lines = [
        f"Files: {report.files}. Scanned now: {report.scanned}. Remembered: {report.remembered}.",
        f"Infected: {report.infected}. Not scanned: {unscanned}.",
        printable(f"By {report.version.words}, at {report.time}."),
    ]
    if report.links:
        lines.append(
            f"Links within the tree: {report.links}. What they lead to is scanned where it lies."
        )
    if not report.is_kept:
        lines.append(
            "Nothing is remembered for the next time: the scanner names no version of its"
            " signatures (for --command, settings can name a command that does)."
        )
    return lines


def _next(tree: Path, report: ScanReport) -> str:
    """Say what to do, for the worst of what was found."""
    kinds = {finding.kind for finding in report.faults}
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
            " the right to read it; what is no file, or leads out of the tree, take away or accept"
            " by a rule (--accept); then run the same again."
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
        "verdicts_kept": report.is_kept,
        "findings": [
            {
                "kind": finding.kind.word,
                "path": path_words(finding.path),
                "detail": finding.detail or None,
                "accepted_by_rule": None if rule is None else rule + 1,
            }
            for finding, rule in report.noted
        ],
        "rules": [rule_row(rule, count) for rule, count in _counted(report)],
    }
