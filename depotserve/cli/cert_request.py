"""`depotserve cert request`: ask the organisation's own authority for a certificate."""

from __future__ import annotations

from pathlib import Path

import click

from depotserve.cli.options import home_option
from depotserve.cli.printable import printable
from depotserve.errors import CallerError
from depotserve.home import find, locked, write_file
from depotserve.tls import custody
from depotserve.tls.names import parse_hosts
from depotserve.tls.request import KEY_KINDS, Requested, names_in_force, request

__all__ = ["cert_request"]

_PUBLIC = 0o644


@click.command("request")
@click.option(
    "--host",
    "hosts",
    multiple=True,
    metavar="NAME-OR-IP",
    help="Name or address that clients use; may be repeated. Default: those of the certificate"
    " in force, except loopback ones.",
)
@click.option(
    "--key",
    "kind",
    type=click.Choice(KEY_KINDS),
    default="ecdsa",
    show_default=True,
    help="ECDSA P-256, or RSA with 3072 bits for authorities or clients that know no other.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="Write a copy of the request here too."
)
@home_option
def cert_request(hosts: tuple[str, ...], kind: str, out: Path | None, home: Path | None) -> None:
    """Make a key and a request (PKCS #10) for your organisation's own authority.

    The key stays in HOME/tls/request.key; only the request is handed on. A key whose certificate
    has not come yet is kept, so that a certificate for an earlier request still fits; --key with
    another kind makes a new one. Nothing that is served changes.
    """
    where = find(home)
    with locked(where.lock("tls")):
        custody.finish(where)
        names = parse_hosts(hosts) if hosts else names_in_force(where)
        if not names:
            raise CallerError(
                "the certificate in force holds loopback names only",
                allowed="say with --host which names clients use",
            )
        made = request(where, names, kind)
    if out is not None:
        write_file(out, made.pem, mode=_PUBLIC)
    click.echo(f"names       {', '.join(map(str, names))}")
    click.echo(printable(f"key         {where.request_key} ({_fate(made)})"))
    click.echo(printable(f"request     {out or where.request}"))
    click.echo(
        "Next, have the request signed for a TLS server, with all its names, and take in what"
        " comes back, with every certificate up to the root:"
    )
    click.echo("  depotserve cert install --cert FILE [--cert FILE ...]")


def _fate(made: Requested) -> str:
    """Say whether certificates for an earlier request still fit."""
    if made.kept:
        return "kept: a certificate for an earlier request fits too"
    if made.replaced:
        return "new, of another kind: a certificate for an earlier request does not fit any more"
    return "new"
