"""What a probe was asked for, and what it has learnt so far."""

from __future__ import annotations

import base64
import secrets
from datetime import datetime, timezone
from typing import TYPE_CHECKING

import attrs

from depotserve.probe import troubles
from depotserve.probe.channel import Channel
from depotserve.probe.client import Client
from depotserve.probe.exchange import Answer, Request
from depotserve.probe.limits import Clock, Limits
from depotserve.probe.trust import unverifying

if TYPE_CHECKING:
    import ssl
    from collections.abc import Mapping

    from depotserve.probe.address import Address
    from depotserve.probe.digests import Digests
    from depotserve.probe.exchange import Taker
    from depotserve.probe.listings import Entry
    from depotserve.probe.presented import Presented
    from depotserve.probe.trust import Trust

__all__ = ["Fetched", "Visit", "Wish", "basic", "refuse_troubles"]

_REDIRECTS = (301, 302, 303, 307, 308)
_MOST_REDIRECTS = 5


@attrs.frozen(kw_only=True)
class Wish:
    """What a probe shall look at, and what it may send."""

    address: Address
    trust: Trust
    user: str | None = None
    passphrase: str | None = attrs.field(default=None, repr=False)
    send_anyway: bool = False  # the passphrase, over a connection that is not verified
    file: str | None = None  # path from the base; None: found by the listing
    sha256: str | None = None  # of that file, lower-case hex digits
    seconds: float = 2.0  # of measuring throughput
    limits: Limits = attrs.Factory(Limits)
    environment: Mapping[str, str] = attrs.Factory(dict)  # where proxies may be named


@attrs.frozen
class Fetched:
    """The one file that most checks ask for, as it came."""

    target: str
    answer: Answer  # its body is how the file begins
    digests: Digests
    coding: str  # Content-Encoding; empty for none

    def get(self, name: str) -> str | None:
        """Give a field of the answer."""
        return self.answer.head.get(name)


@attrs.define
class Visit:
    """A probe under way."""

    wish: Wish
    clock: Clock
    numbers: list[str] = attrs.Factory(list)  # the depot's IP addresses
    number: str = ""  # the one that is spoken to
    presented: Presented | None = None  # its certificates; None without TLS
    is_verified: bool = False  # the system's TLS library took chain, name, time and purpose
    refusal: str = ""  # why it did not, in its own words
    first: Answer | None = None  # to the base address, without a passphrase
    asks_for_password: bool = False
    listed: tuple[str, tuple[Entry, ...]] | None = None  # a folder with files: target, entries
    file: Fetched | None = None
    _client: Client | None = None

    @property
    def now(self) -> datetime:
        """Give this machine's time."""
        return datetime.now(timezone.utc)

    @property
    def host(self) -> str:
        """Give the depot's host as the TLS library wants it."""
        return str(self.wish.address.host)

    @property
    def why_no_secret(self) -> str:
        """Say why no passphrase may be sent; nothing where one may."""
        if self.is_verified or self.wish.send_anyway:
            return ""
        kind = "is not verified" if self.wish.address.is_tls else "is in clear text"
        return f"the connection {kind}, and --send-passphrase-anyway is not given"

    def connect(self) -> Channel:
        """Connect without TLS; raise OSError."""
        where = (self.number, self.wish.address.port)
        return Channel(where, self.clock, self.wish.limits.connect)

    def dial(self) -> Channel:
        """Connect as requests want it: over TLS that is verified where it can be."""
        channel = self.connect()
        if self.wish.address.is_tls:
            context = self.wish.trust.context if self.is_verified else unverifying()
            self._secure(channel, context)
        return channel

    def _secure(self, channel: Channel, context: ssl.SSLContext) -> None:
        try:
            channel.allow(self.wish.limits.handshake)
            channel.secure(context, self.host)
        except BaseException:
            channel.close()
            raise

    @property
    def client(self) -> Client:
        """Give the client that all checks share."""
        if self._client is None:
            self._client = Client(self.wish.address, self.dial)
        return self._client

    def ask(
        self,
        target: str,
        *,
        method: str = "GET",
        fields: Mapping[str, str] | None = None,
        take: Taker | None = None,
        most: int | None = None,
        seconds: float | None = None,
    ) -> tuple[str, Answer]:
        """Ask as a client of the depot would, and follow redirects within the depot.

        Gives the last target and its answer; with `most`, that many bytes of it or what came in
        time. Raises Trouble for a redirect elsewhere, for 429 and
        for 5xx, besides what `Client.exchange` raises.
        """
        request = Request(
            method=method,
            target=target,
            fields=tuple((fields or {}).items()),
            authorization=self.authorization(),
            seconds=seconds or self.wish.limits.answer,
            take=take,
            most=most,
        )
        return self.follow(request)

    def follow(self, request: Request) -> tuple[str, Answer]:
        """Ask, and follow redirects within the depot; raise Trouble as `ask` does."""
        target, answer = self.final(request)
        refuse_troubles(target, answer)
        return target, answer

    def final(self, request: Request) -> tuple[str, Answer]:
        """Ask, and give the answer at the end of redirects within the depot, whatever it is."""
        for _ in range(_MOST_REDIRECTS):
            answer = self.client.exchange(request)
            location = answer.head.get("location")
            if answer.status not in _REDIRECTS or location is None:
                return request.target, answer
            target = _within(self.wish.address, request.target, location)
            request = attrs.evolve(request, target=target)
        raise troubles.endless_redirects(request.target)

    def authorization(self) -> str:
        """Give the user's field where it is asked for and may be sent."""
        wish = self.wish
        if not self.asks_for_password or self.why_no_secret:
            return ""
        if wish.user is None or wish.passphrase is None:
            return ""
        return basic(wish.user, wish.passphrase)

    def wrong_authorization(self) -> str:
        """Give a field of nobody's.

        Not of the user who signs in: depots count wrong passphrases by user and address, and
        would throttle the very client that is looked after.
        """
        return basic(f"not-{self.wish.user or 'a-user'}", secrets.token_hex(12))


def basic(user: str, passphrase: str) -> str:
    """Write an Authorization field (RFC 7617 §2)."""
    return f"Basic {base64.b64encode(f'{user}:{passphrase}'.encode()).decode()}"


def _within(address: Address, target: str, location: str) -> str:
    """Give the target that a Location means; raise Trouble if it is another origin's."""
    try:
        url = address.resolve(target, location)
    except ValueError:
        raise troubles.other_origin(target, location) from None
    inside = address.target_of(url)
    if inside is None:
        raise troubles.other_origin(target, url)
    return inside


def refuse_troubles(target: str, answer: Answer) -> None:
    """Raise Trouble for an answer that tells nothing of the depot's content."""
    if answer.status in {407, 511}:
        raise troubles.by_proxy(answer.head)
    if answer.status == 429:
        raise troubles.throttled(answer.head)
    if answer.status >= 500:
        raise troubles.unable(target, answer.head)
