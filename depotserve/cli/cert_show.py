"""`depotserve cert show`: the certificate in force, what is prepared, and who vouches."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from depotserve import clock, config, tls
from depotserve import home as homes
from depotserve.accounts.moments import show as show_moment
from depotserve.cli.options import home_option, json_option
from depotserve.cli.printable import printable
from depotserve.errors import DepotError
from depotserve.home import is_there, read_bounded
from depotserve.tls import custody
from depotserve.tls.arrange import arrange
from depotserve.tls.pem import is_encrypted, read_chain

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from cryptography import x509

    from depotserve.home import Home

__all__ = ["show"]

_MOST_PEM = 1 << 20  # bytes


@click.command()
@home_option
@json_option
def show(home: Path | None, *, as_json: bool) -> None:
    """Show names, validity, fingerprint, key and chain, and what renewal has prepared.

    Whether clients trust it is not checked here: depotserve probe does, from their place.
    """
    place = homes.find(home)
    document = _document(place, clock.read(place))
    click.echo(json.dumps(document) if as_json else "\n".join(_lines(document)))


def _document(home: Home, reading: clock.Reading) -> dict[str, Any]:
    prepared = custody.read_prepared(home)
    roots = _roots(home)
    return {
        "home": str(home.root),
        "clock": reading.fault or "believed",
        "in_force": _pair(custody.read_live(home), roots, reading.believed),
        "prepared": [] if prepared is None else _pair(prepared, roots, reading.believed),
        "renew": config.load(home.root).tls.renew,
        "authority": _authority(home, reading.believed),
        "trusted_by_clients": [_facts(root, reading.believed) for root in roots],
    }


def _roots(home: Home) -> tuple[x509.Certificate, ...]:
    try:
        return custody.anchors(home)
    except DepotError:
        return ()


def _pair(
    pair: tls.PemPair, roots: tuple[x509.Certificate, ...], now: datetime
) -> list[dict[str, Any]]:
    rows = []
    for one in tls.issuing.credentials(pair):
        above = arrange(one.chain.leaf, one.chain.certificates[1:], roots)
        sent = [each.subject.rfc4514_string() for each in one.chain.certificates[1:]]
        root = above.root.subject.rfc4514_string() if above.root else None
        rows.append({**_facts(one.chain.leaf, now), "intermediates": sent, "root": root})
    return rows


def _authority(home: Home, now: datetime) -> dict[str, Any] | None:
    """Describe the home's own authority; nothing where there is none."""
    if not is_there(home.authority):
        return None
    certificate = read_chain(read_bounded(home.authority, _MOST_PEM), name="authority.pem").leaf
    step = next((text for path, text in _steps(home) if is_there(path)), "")
    return {**_facts(certificate, now), "private_key": _place_of_key(home), "roll_over": step}


def _place_of_key(home: Home) -> str:
    """Say where the authority's key is, to whoever may not read it too."""
    if not is_there(home.authority_key):
        return "kept elsewhere"
    try:
        encrypted = is_encrypted(read_bounded(home.authority_key, _MOST_PEM))
    except DepotError:
        return "here, and cannot be read"
    return "here, with a passphrase" if encrypted else "here, without a passphrase"


def _steps(home: Home) -> tuple[tuple[Path, str], ...]:
    return (
        (home.next_authority, "a new authority waits: depotserve cert authority use"),
        (home.old_authority, "the old authority is not retired: depotserve cert authority retire"),
    )


def _facts(certificate: x509.Certificate, now: datetime) -> dict[str, Any]:
    found = tls.describe_certificate(certificate)
    return {
        "subject": found.subject,
        "issuer": found.issuer,
        "names": list(found.names),
        "not_before": show_moment(found.not_before),
        "not_after": show_moment(found.not_after),
        "days_left": found.days_left(now),
        "sha256": found.fingerprint,
        "key": found.key,
    }


def _lines(document: dict[str, Any]) -> list[str]:
    lines = []
    if document["clock"] != "believed":
        lines += [f"Days are counted from the last time that can be believed: {document['clock']}"]
    for row in document["in_force"]:
        lines += [*_of_leaf("In force", row), ""]
    for row in document["prepared"]:
        lines += [*_of_leaf("Prepared", row), ""]
    if document["prepared"]:
        how = "by itself, 14 days before the end of the one in force"
        how = how if document["renew"] == "auto" else "on: depotserve cert issue --activate"
        lines += [f"The prepared one goes live {how}.", ""]
    authority = document["authority"]
    if authority:
        lines += [*_of_root("The home's own authority", authority)]
        lines += _row("its key", authority["private_key"])
        lines += [authority["roll_over"]] if authority["roll_over"] else []
    for root in document["trusted_by_clients"]:
        if authority is None or root["sha256"] != authority["sha256"]:
            lines += ["", *_of_root("Clients must trust", root)]
    return lines


def _of_leaf(title: str, row: dict[str, Any]) -> list[str]:
    chain = [*row["intermediates"], row["root"] or "a root that is not known here"]
    return [
        *_row(title, ", ".join(row["names"])),
        *_row("key", row["key"]),
        *_row("validity", _life(row)),
        *_row("SHA-256", row["sha256"]),
        *_row("vouched for by", ", then ".join(chain)),
    ]


def _of_root(title: str, row: dict[str, Any]) -> list[str]:
    return [
        *_row(title, row["subject"]),
        *_row("key", row["key"]),
        *_row("validity", _life(row)),
        *_row("SHA-256", row["sha256"]),
    ]


def _life(row: dict[str, Any]) -> str:
    days = row["days_left"]
    left = f"{days} days left" if days >= 0 else f"over for {-days} days"
    return f"{row['not_before'][:10]} to {row['not_after'][:10]}, {left}"


def _row(name: str, text: str) -> list[str]:
    return [f"{name:<26}{printable(text)}"]
