"""What in a depot's settings and accounts protects less than it could."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

import attrs

from depotserve.config import ANONYMOUS, asks_for_passwords
from depotserve.process.admission import is_over

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import date

    from depotserve.config import Listener, Network, Settings

__all__ = ["Caution", "cautions", "overdue"]

_STRONG_MINIMUM = 15  # characters; NIST SP 800-63B-4 §3.1.1.2, a passphrase that stands alone

# Of a listener without TLS, by whether passwords are asked for.
_RISKS = {
    True: "takes passwords in clear text: whoever is on the way can read them",
    False: "serves without TLS: whoever is on the way can alter what is fetched",
}


@attrs.frozen
class Caution:
    """One thing that lowers protection, and what would raise it."""

    text: str
    advice: str


def cautions(
    settings: Settings, listeners: Iterable[Listener], apr1_users: Iterable[str]
) -> list[Caution]:
    """List what lowers protection; nothing here keeps a depot from serving.

    `listeners` are those that are opened, `apr1_users` the names whose hash is of the APR1 kind.
    """
    return [
        *_of_listeners(settings, listeners),
        *_of_mounts(settings),
        *_of_accounts(apr1_users),
        *_of_passphrases(settings),
    ]


def overdue(listeners: Iterable[Listener], day: date) -> list[Caution]:
    """Name the listeners whose last day lies before `day`, in UTC."""
    return [
        Caution(
            f"{_place(one)} (legacy) lets nobody in since its last day, {one.until}, is over",
            "take it out of depot.yaml, or set a later `until`",
        )
        for one in listeners
        if is_over(one, day)
    ]


def _of_listeners(settings: Settings, listeners: Iterable[Listener]) -> Iterator[Caution]:
    risk = _RISKS[asks_for_passwords(settings)]
    for one in listeners:
        if one.tls == "none":
            advice = f"set tls: modern for {_place(one)} in depot.yaml"
            yield Caution(f"{_place(one)} {risk}", advice)
        elif one.tls == "legacy":
            clients = ", ".join(map(_shown, one.clients))
            text = (
                f"{_place(one)} speaks TLS 1.0 and 1.1 too, which can be broken"
                f" on the way, to {clients} until {one.until}"
            )
            yield Caution(text, "replace those clients, then take it out of depot.yaml")


def _place(listener: Listener) -> str:
    return f"{listener.address} port {listener.port}"


def _shown(network: Network) -> str:
    """Write one address without the length of its prefix."""
    alone = network.num_addresses == 1
    return str(network.network_address if alone else network)


def _of_mounts(settings: Settings) -> Iterator[Caution]:
    for mount in settings.content:
        if mount.users == ANONYMOUS:
            text = f"{mount.url} ({mount.path}) is served to everybody without a password"
            yield Caution(text, f"set users: any for {mount.url} in depot.yaml")


def _of_accounts(apr1_users: Iterable[str]) -> Iterator[Caution]:
    for name in apr1_users:
        text = f"user {name} has an APR1 hash, which is guessed quickly; set a new passphrase"
        yield Caution(text, f"depotserve user passwd {shlex.quote(name)}")


def _of_passphrases(settings: Settings) -> Iterator[Caution]:
    if settings.passphrase_minimum < _STRONG_MINIMUM:
        text = (
            f"passphrase_minimum is {settings.passphrase_minimum};"
            f" {_STRONG_MINIMUM} or more is right where the passphrase is all that protects"
        )
        advice = f"set passphrase_minimum: {_STRONG_MINIMUM} in depot.yaml, and new passphrases"
        yield Caution(text, advice)
