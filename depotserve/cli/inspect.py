"""`depotserve inspect`: look a home over."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING

import click

from depotserve.cli.options import home_option, json_option
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
    """Look over a home: settings, accounts, certificate, content, modes, file system.

    Exit status 1 if anything is a fault; a caution leaves it 0. Content is looked at by names
    only: neither malware nor missing files are found.
    """
    found = find(home)
    findings = look_over(found, now=time.time())
    status = int(any(finding.grade is Grade.FAULT for finding in findings))
    if as_json:
        click.echo(json.dumps(_document(found.root, findings, status)))
    else:
        click.echo("\n".join(map(_line, findings)))
    context.exit(status)


def _line(finding: Finding) -> str:
    word = click.style(f"{finding.grade.value:<9}", fg=_COLOURS[finding.grade])
    return f"{word}{finding.topic:<13}{finding.text}"


def _document(root: Path, findings: list[Finding], status: int) -> dict[str, object]:
    rows = [{"grade": f.grade.value, "topic": f.topic, "text": f.text} for f in findings]
    return {"home": str(root), "status": status, "findings": rows}
