"""What in a depot's settings and accounts protects less than it could."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.config import ANONYMOUS, asks_for_passwords

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.config import Listener, Settings

__all__ = ["cautions"]

_STRONG_MINIMUM = 15  # characters; NIST SP 800-63B-4 §3.1.1.2, a passphrase that stands alone


def cautions(
    settings: Settings, listeners: Iterable[Listener], apr1_users: Iterable[str]
) -> list[str]:
    """List in one line each what lowers protection; nothing here keeps a depot from serving.

    `listeners` are those really opened, `apr1_users` the names whose hash is of the APR1 kind.
    """
    return [
        *(_of_listeners(settings, listeners)),
        *(_of_mounts(settings)),
        *(_of_accounts(settings, apr1_users)),
    ]


def _of_listeners(settings: Settings, listeners: Iterable[Listener]) -> Iterator[str]:
    listeners = list(listeners)
    for one in listeners:
        place = f"{one.address} port {one.port}"
        if one.tls == "none" and asks_for_passwords(settings):
            yield f"{place} takes passwords in clear text; whoever is on the way can read them"
        elif one.tls == "none":
            yield f"{place} serves without TLS; whoever is on the way can alter what is fetched"
        if one.address == "::" and not any(
            other.address == "0.0.0.0" and other.port == one.port  # noqa: S104
            for other in listeners
        ):
            yield f"{place} takes IPv6 only; a listener on 0.0.0.0 would take IPv4"


def _of_mounts(settings: Settings) -> Iterator[str]:
    for mount in settings.content:
        if mount.users == ANONYMOUS:
            yield f"{mount.url} ({mount.path}) is served to everybody without a password"


def _of_accounts(settings: Settings, apr1_users: Iterable[str]) -> Iterator[str]:
    for name in apr1_users:
        yield f"user {name} has an APR1 hash, which is quick to guess; set a new passphrase"
    if settings.passphrase_minimum < _STRONG_MINIMUM:
        yield (
            f"passphrase_minimum is {settings.passphrase_minimum};"
            f" {_STRONG_MINIMUM} or more is right where the passphrase is all that protects"
        )
