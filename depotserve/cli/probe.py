"""`depotserve probe`: look at a depot as its client does."""

from __future__ import annotations

import itertools
import json
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from depotserve import probe as room
from depotserve.cli.options import ask_passphrase, json_option, passphrase_file_option
from depotserve.cli.printable import printable
from depotserve.errors import CallerError
from depotserve.probe import Finding, State

if TYPE_CHECKING:
    from depotserve.probe import Address, Report

__all__ = ["probe"]

_PATH = click.Path(path_type=Path, readable=False)
_INDENT = " " * 22


@click.command()
@click.argument("url")
@click.option(
    "--ca", type=_PATH, help="Authorities to trust, PEM or one in DER. Default: the system's store."
)
@click.option("--user", metavar="NAME", help="Sign in; the passphrase is asked for.")
@passphrase_file_option
@click.option(
    "--send-passphrase-anyway",
    "send_anyway",
    is_flag=True,
    help="Send the passphrase over a connection in clear text or of unknown trust, too.",
)
@click.option(
    "--file", metavar="PATH", help="Fetch this file, a path below URL. Default: one that is listed."
)
@click.option("--sha256", metavar="HEX", help="The digest that this file must have.")
@click.option(
    "--seconds",
    type=click.FloatRange(0.1, 60),
    default=2.0,
    show_default=True,
    help="How long to measure throughput.",
)
@json_option
@click.pass_context
def probe(  # noqa: PLR0913  # one for each option
    context: click.Context,
    url: str,
    *,
    ca: Path | None,
    user: str | None,
    passphrase_file: Path | None,
    file: str | None,
    sha256: str | None,
    seconds: float,
    send_anyway: bool,
    as_json: bool,
) -> None:
    """Look at the depot at URL (https://HOST:PORT/) from here and say what keeps clients from it.

    Run it where a client is. Any HTTP(S) server may be looked at. The first fault is the one to
    mend first; what is unknown was not looked at, and the line says why. The passphrase goes to
    this address only, and only over a verified connection. Once a user name and a passphrase that
    are nobody's are tried, to see that they are refused. One file is fetched, for 20 s or 4 GiB at
    most, and then again for --seconds. Exit status 1 if there is a fault.

    Not checked: revocation of certificates, other files than one, whether the depot bears many
    clients, and the way through a proxy.
    """
    address = room.parse_address(url)
    _check(user, passphrase_file, file, sha256)
    if file is not None:
        address.join(file)  # refuses a path that leaves
    wish = room.Wish(
        address=address,
        trust=room.load_trust(ca),
        user=user,
        passphrase=_passphrase(address, user, passphrase_file, send_anyway=send_anyway),
        send_anyway=send_anyway,
        file=file,
        sha256=sha256.lower() if sha256 else None,
        seconds=seconds,
        environment=os.environ,
    )
    report = room.probe(wish)
    click.echo(json.dumps(_document(url, report)) if as_json else _text(report))
    context.exit(report.status)


def _check(
    user: str | None, passphrase_file: Path | None, file: str | None, sha256: str | None
) -> None:
    """Refuse options that mean nothing."""
    if user is not None and (not user or re.search(r"[:\x00-\x1f\x7f\ud800-\udfff]", user)):
        raise CallerError(
            "no user has such a name", allowed="a name in UTF-8 without a colon (RFC 7617)"
        )
    if passphrase_file is not None and user is None:
        raise CallerError("a passphrase without a user", allowed="give --user NAME too")
    if sha256 is not None and not re.fullmatch("[0-9A-Fa-f]{64}", sha256):
        raise CallerError("--sha256 is no SHA-256", allowed="64 hexadecimal digits")
    if sha256 is not None and file is None:
        raise CallerError("--sha256 without a file", allowed="give --file PATH too")


def _passphrase(
    address: Address, user: str | None, file: Path | None, *, send_anyway: bool
) -> str | None:
    """Read the passphrase, or ask for it where it can be of use."""
    if user is None:
        return None
    if file is None and not address.is_tls and not send_anyway:
        return None  # it would not be sent
    return ask_passphrase(f"Passphrase of {user}", file)


def _text(report: Report) -> str:
    lines: list[str] = []
    for _, alike in itertools.groupby(report.findings, key=_skipped_for):
        lines += _together(list(alike))
    return "\n".join([*lines, "", *_end(report)])


def _skipped_for(finding: Finding) -> str:
    """Give what checks were left out for; for one that was looked at, its own name."""
    return finding.seen if finding.state is State.UNKNOWN else f"\n{finding.check}"


def _together(findings: list[Finding]) -> list[str]:
    """Write those that were left out for one reason on one line, so that they drown nothing."""
    if len(findings) == 1:
        return _lines(findings[0])
    names = ", ".join(finding.check for finding in findings)
    counted = f"{len(findings)} more"
    return [f"{'unknown':<9}{counted:<13}{printable(findings[0].seen)} ({names})"]


def _lines(finding: Finding) -> list[str]:
    lines = [f"{finding.state.value:<9}{finding.check:<13}{printable(finding.seen)}"]
    if finding.state is State.FAULT:
        lines += [f"{_INDENT}likely: {printable(finding.cause)}", f"{_INDENT}{_next(finding)}"]
    return lines


def _next(finding: Finding) -> str:
    side = finding.where.value if finding.where else "client"
    return f"next, on the {side}: {printable(finding.advice)}"


def _end(report: Report) -> list[str]:
    unseen = sum(finding.state is State.UNKNOWN for finding in report.findings)
    rest = f" Not known: {unseen} of {len(report.findings)}." if unseen else ""
    if report.first is None:
        return [f"No fault was found.{rest}"]
    first = report.first
    return [f"The first fault: {first.check}. N{_next(first)[1:]}.{rest}"]


def _document(url: str, report: Report) -> dict[str, object]:
    rows = [
        {
            "check": one.check,
            "state": one.state.value,
            "seen": one.seen,
            "cause": one.cause or None,
            "advice": one.advice or None,
            "where": one.where.value if one.where else None,
        }
        for one in report.findings
    ]
    first = report.first.check if report.first else None
    return {"url": url, "status": report.status, "first": first, "findings": rows}
