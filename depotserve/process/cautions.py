"""What in a depot's settings and accounts protects less than it could."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.config import ANONYMOUS, asks_for_passwords

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.config import Listener, Settings

__all__ = ["cautions"]

_STRONG_MINIMUM = 15  # characters; NIST SP 800-63B-4 §3.1.1.2, a passphrase that stands alone

# Of a listener without TLS, by whether passwords are asked for.
_RISKS = {
    True: "takes passwords in clear text: whoever is on the way can read them",
    False: "serves without TLS: whoever is on the way can alter what is fetched",
}


def cautions(
    settings: Settings, listeners: Iterable[Listener], apr1_users: Iterable[str]
) -> list[str]:
    """List in one line each what lowers protection; nothing here keeps a depot from serving.

    `listeners` are those that are opened, `apr1_users` the names whose hash is of the APR1 kind.
    """
    return [
        *_of_listeners(settings, listeners),
        *_of_mounts(settings),
        *_of_accounts(apr1_users),
        *_of_passphrases(settings),
    ]


def _of_listeners(settings: Settings, listeners: Iterable[Listener]) -> Iterator[str]:
    risk = _RISKS[asks_for_passwords(settings)]
    for one in listeners:
        if one.tls == "none":
            yield f"{one.address} port {one.port} {risk}"


def _of_mounts(settings: Settings) -> Iterator[str]:
    for mount in settings.content:
        if mount.users == ANONYMOUS:
            yield f"{mount.url} ({mount.path}) is served to everybody without a password"


def _of_accounts(apr1_users: Iterable[str]) -> Iterator[str]:
    for name in apr1_users:
        yield f"user {name} has an APR1 hash, which is guessed quickly; set a new passphrase"


def _of_passphrases(settings: Settings) -> Iterator[str]:
    if settings.passphrase_minimum < _STRONG_MINIMUM:
        yield (
            f"passphrase_minimum is {settings.passphrase_minimum};"
            f" {_STRONG_MINIMUM} or more is right where the passphrase is all that protects"
        )
