"""`depotserve cert issue`: a certificate by the home's own authority."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from depotserve import clock, config, tls
from depotserve import home as homes
from depotserve.cli.options import ask_passphrase, home_option, next_command
from depotserve.cli.outputs import check_output
from depotserve.cli.printable import printable
from depotserve.errors import CallerError, ContentError, SurroundingsError
from depotserve.home import locked, read_bounded, write_file
from depotserve.tls import custody, rollover
from depotserve.tls.issuing import Order, key_needs_passphrase, make, sign_request
from depotserve.tls.leaf import LONGEST_DAYS
from depotserve.tls.renewal import ACTIVATE_DAYS, Due, tend

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from depotserve.home import Home

__all__ = ["issue"]

_PATH = click.Path(path_type=Path, readable=False)
_WORD_PATH = click.Path(path_type=Path, readable=False, allow_dash=True)
_MOST_PEM = 1 << 20  # bytes; a request or certificate has two thousand
_WAIT = 30.0  # seconds for another command that changes the same files
_KINDS = {
    "ecdsa": (tls.KeyKind.ECDSA,),
    "rsa": (tls.KeyKind.RSA,),
    "both": (tls.KeyKind.ECDSA, tls.KeyKind.RSA),
}
_TAKEN = "A running depot takes it within 3 s; no connection is dropped."


@click.command()
@click.option(
    "--host",
    "hosts",
    multiple=True,
    metavar="NAME-OR-IP",
    help="Name or address that clients use; may be repeated. All together they take the place of"
    " those in force. Default: as the one in force has.",
)
@click.option(
    "--key",
    type=click.Choice(list(_KINDS)),
    help="Kind of key: ECDSA P-256, RSA 3072, or both on one listener. Default: as in force.",
)
@click.option(
    "--days",
    type=int,
    help="Its whole life, 30 days of it already over, since clocks drift; "
    f"{LONGEST_DAYS} if left out.",
)
@click.option("--prepare", is_flag=True, help="Only lay it beside the one in force.")
@click.option("--activate", is_flag=True, help="Put the prepared one in force; issue nothing.")
@click.option("--when-due", is_flag=True, help="Do what renewal has due, as a timer would.")
@click.option(
    "--for-request", type=_PATH, metavar="FILE", help="Sign another depot's request instead."
)
@click.option("--out", type=_PATH, metavar="FILE", help="Where the answer to the request goes.")
@click.option(
    "--authority-key", type=_PATH, metavar="FILE", help="The authority's key, if kept elsewhere."
)
@click.option(
    "--authority-passphrase-file",
    type=_WORD_PATH,
    metavar="FILE",
    help="The passphrase of the authority's key; else it is asked for. - is standard input.",
)
@home_option
def issue(  # noqa: PLR0913, PLR0917  # one for each option
    hosts: tuple[str, ...],
    key: str | None,
    days: int | None,
    for_request: Path | None,
    out: Path | None,
    authority_key: Path | None,
    authority_passphrase_file: Path | None,
    home: Path | None,
    *,
    prepare: bool,
    activate: bool,
    when_due: bool,
) -> None:
    """Issue a certificate by the home's authority and put it in force.

    With --prepare it waits beside the one in force until --activate, so that clients which are
    told its fingerprint can be told in time. Which clients go by a fingerprint is not known here.

    The authority's key may be kept elsewhere: take HOME/tls/authority.key away, and name it by
    --authority-key when one is issued. This encrypts it with a passphrase:
    openssl pkcs8 -topk8 -in authority.key -out FILE
    """
    place = homes.find(home)
    _refuse_mixture(
        prepare=prepare, activate=activate, when_due=when_due, request=for_request, out=out
    )
    details: dict[str, object] = {"--host": hosts, "--key": key, "--days": days}
    if activate:
        opener = authority_key or authority_passphrase_file
        _refuse_unused("--activate", {**details, "an option for the authority's key": opener})
        _activate(place)
        return
    moment = clock.require(place)
    clock.note(place, clock.read(place))
    _finish(place)
    kinds = _KINDS[key] if key else ()
    order = Order(hosts, kinds, LONGEST_DAYS if days is None else days, authority_key)
    if when_due:
        _refuse_unused("--when-due", details)
        _tend(place, order, moment, authority_passphrase_file)
        return
    order = _opened(place, order, authority_passphrase_file)
    if for_request is not None and out is not None:
        _refuse_unused("--for-request", {"--key": key})
        _sign(place, for_request, out, order, moment)
    else:
        _issue(place, order, moment, prepare=prepare)


def _refuse_mixture(
    *, prepare: bool, activate: bool, when_due: bool, request: Path | None, out: Path | None
) -> None:
    if prepare + activate + when_due + (request is not None) > 1:
        wrong = "--prepare, --activate, --when-due and --for-request exclude each other"
        raise CallerError(wrong, allowed="give one of them")
    if (request is None) != (out is None):
        wrong = "--for-request and --out belong together"
        raise CallerError(wrong, allowed="--for-request REQUEST.csr --out CERTIFICATE.pem")


def _refuse_unused(mode: str, options: Mapping[str, object]) -> None:
    """Refuse what would be left unheeded: who gave it expects another certificate."""
    for name, value in options.items():
        if value not in {None, ()}:
            raise CallerError(f"{name} has no meaning with {mode}", allowed="leave it out")


def _finish(home: Home) -> None:
    """Finish what was interrupted; only then is it known which key the authority has."""
    with locked(home.lock("tls"), wait=_WAIT):
        custody.finish(home)
        rollover.finish(home)


def _opened(home: Home, order: Order, file: Path | None) -> Order:
    """Add the passphrase of the authority's key where it needs one."""
    if not key_needs_passphrase(home, order.authority_key):
        return order
    otherwise = "give --authority-passphrase-file PATH (- is standard input)"
    word = ask_passphrase("Passphrase of the authority's key", file, otherwise=otherwise)
    return Order(order.hosts, order.kinds, order.days, order.authority_key, word)


def _issue(home: Home, order: Order, moment: datetime, *, prepare: bool) -> None:
    with locked(home.lock("tls"), wait=_WAIT):
        before = _roots(home)
        made = make(home, order, moment)
        tls.load_pair(made.certificate, made.key)
        custody.lay_by(home, made)
        if not prepare:
            custody.activate(home)
    _show(made, "prepared, beside the one in force" if prepare else "in force")
    _tell_of_end(home, made)
    if prepare:
        click.echo(f"It goes live on: {next_command('cert issue --activate', home)}")
        return
    click.echo(_TAKEN)
    if before and not _roots(home) <= before:
        click.echo("Clients need another authority's certificate now:")
        click.echo(f"  {next_command('cert trust --for CLIENT --out FILE', home)}")


def _tell_of_end(home: Home, made: tls.PemPair) -> None:
    end = tls.describe(read_bounded(home.authority, _MOST_PEM)).not_after
    if tls.describe(made.certificate).not_after == end:
        click.echo("It ends with its authority, sooner than it could. A new authority is made by:")
        click.echo(f"  {next_command('cert authority new', home)}")


def _roots(home: Home) -> set[str]:
    """Name what clients go by; nothing where that is not known."""
    try:
        return {tls.describe_certificate(one).fingerprint for one in custody.anchors(home)}
    except (CallerError, SurroundingsError):
        return set()


def _activate(home: Home) -> None:
    with locked(home.lock("tls"), wait=_WAIT):
        custody.finish(home)
        custody.activate(home)
        found = custody.read_live(home)
    _show(found, "in force")
    click.echo(_TAKEN)


def _tend(home: Home, order: Order, moment: datetime, file: Path | None) -> None:
    if file is not None:
        order = _opened(home, order, file)
    auto = config.load(home.root).tls.renew == "auto"
    found = tend(home, moment, auto=auto, order=order, wait=_WAIT)
    click.echo(f"The certificate {found.life}.")
    if Due.ACTIVATE in found.done:
        click.echo(f"It was put in force just now. {_TAKEN}")
    if found.prepared is not None:
        click.echo(f"A new one is prepared, SHA-256 fingerprint {found.prepared.fingerprint}")
        by_itself = f"by itself {ACTIVATE_DAYS} days before the end of the one in force"
        by_hand = f"on: {next_command('cert issue --activate', home)}"
        click.echo(f"It goes live {by_itself if auto else by_hand}")
    if found.trouble:
        raise ContentError(f"a new certificate is due and cannot be made: {found.trouble}")


def _sign(home: Home, request: Path, out: Path, order: Order, moment: datetime) -> None:
    check_output(out, config.load(home.root))
    made = sign_request(home, read_bounded(request, _MOST_PEM), order, moment)
    write_file(out, made, mode=0o644)
    _describe(made, f"written to {out}, with the authority's own")
    click.echo("On the depot that asked: depotserve cert install --cert FILE")


def _show(pair: tls.PemPair, state: str) -> None:
    for one in tls.issuing.credentials(pair):
        _describe(one.chain.pem, state)


def _describe(pem: bytes, state: str) -> None:
    found = tls.describe(pem)
    facts = {
        "certificate": state,
        "names": ", ".join(found.names),
        "key": found.key,
        "good until": f"{found.not_after:%Y-%m-%d}, {found.days_left(clock.now())} days from now",
        "SHA-256": found.fingerprint,
    }
    for name, text in facts.items():
        click.echo(f"{name:<13}{printable(text)}")
