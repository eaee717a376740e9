"""`depotserve inspect`: look a home over."""

from __future__ import annotations

import json
import sys
import time
from typing import TYPE_CHECKING

import attrs
import click
from rich.console import Console
from rich.table import Column, Table
from rich.text import Text

from depotserve.cli.options import home_option, json_option
from depotserve.cli.printable import printable
from depotserve.home import find
from depotserve.inspection import Finding, Grade
from depotserve.inspection import inspect as look_over

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["inspect"]

_COLOURS = {Grade.FINE: "green", Grade.CAUTION: "yellow", Grade.FAULT: "red"}


@click.command()
@home_option
@json_option
@click.pass_context
def inspect(context: click.Context, home: Path | None, *, as_json: bool) -> None:
    """Look over a home: disk, rights, settings, accounts, certificate, content, ports.

    Each line that is not fine says what to do next. Exit status 1 if anything is a fault; a
    caution leaves it 0. Run it as root or as the user who serves. Content is looked at by names
    and rights only: neither malware nor missing files are found.
    """
    found = find(home)
    findings = look_over(found, now=time.time())
    status = int(any(finding.grade is Grade.FAULT for finding in findings))
    if as_json:
        click.echo(json.dumps(_document(found.root, findings, status)))
    else:
        _show(findings)
    context.exit(status)


def _show(findings: list[Finding]) -> None:
    """Print a table that fits the terminal, or one line a finding for whatever else reads it."""
    if not sys.stdout.isatty():
        for finding in findings:
            word, topic = finding.grade.value, finding.topic
            click.echo(f"{word:<9}{topic:<13}{printable(finding.text)}")
            if finding.advice:
                click.echo(f"{'':<22}do: {printable(finding.advice)}")
        return
    table = Table.grid(Column(), Column(), Column(overflow="fold"), padding=(0, 2))
    for finding in findings:
        grade = Text(finding.grade.value, _COLOURS[finding.grade])
        table.add_row(grade, Text(finding.topic), Text(printable(finding.text)))
        if finding.advice:
            table.add_row("", "", Text(f"do: {printable(finding.advice)}", "bold"))
    Console().print(table)


def _document(root: Path, findings: list[Finding], status: int) -> dict[str, object]:
    rows = [{**attrs.asdict(finding), "grade": finding.grade.value} for finding in findings]
    return {"home": str(root), "status": status, "findings": rows}
