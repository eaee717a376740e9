"""The gate: who is let in, at what cost, and how often somebody may try."""

from __future__ import annotations

import asyncio
import functools
import logging
import math
import time
from typing import TYPE_CHECKING, Callable

import attrs

from depotserve.accounts import names
from depotserve.accounts.addresses import UNKNOWN, network_of, pair_of
from depotserve.accounts.cache import Cache
from depotserve.accounts.examine import examine, trimmed
from depotserve.accounts.model import Work
from depotserve.accounts.pool import Full, Pool
from depotserve.accounts.throttle import Refusal, Throttle
from depotserve.accounts.usage import Watch
from depotserve.accounts.verdict import Outcome, Verdict
from depotserve.cores import usable_cores

if TYPE_CHECKING:
    from depotserve.accounts.counts import FailureCounts
    from depotserve.accounts.hashes import Hash
    from depotserve.accounts.model import Account, Accounts
    from depotserve.config import Settings

__all__ = ["Gate"]

_log = logging.getLogger("depotserve.accounts")
_CHECKS = 512  # under way or waiting in one worker; each holds a passphrase of up to 32 KiB
_BUSY_SECONDS = 30


@attrs.frozen
class _Claim:
    """A credential that somebody offers; `name` is "" for one that the file does not know."""

    address: str
    network: str
    name: str
    passphrase: bytes = attrs.field(repr=False)
    field: str = attrs.field(repr=False)  # that it came in, "" if there was none
    pair: bytes


class Gate:
    """One worker's gate. Made anywhere, used from one event loop."""

    def __init__(
        self,
        accounts: Accounts,
        settings: Settings,
        counts: FailureCounts,
        now: Callable[[], float] = time.time,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Let in whom `accounts` knows; `now` is the time of day, `clock` one that never jumps.

        `clock` must be the same in all workers that share the counts.
        """
        self._accounts = accounts
        self._settings = settings
        self._now = now
        self._cache, self._fields = Cache(clock), Cache(clock)  # credentials; what they came in
        self._throttle = Throttle(counts, settings.throttle, clock)
        self._pool = Pool(_threads(settings.workers))
        self._under_way: dict[bytes, asyncio.Task[Verdict]] = {}
        self._watch = Watch(settings.home / "state", self._pool.spare, clock)

    def replace(self, accounts: Accounts, settings: Settings) -> None:
        """Go on with other accounts and settings; what was cached counts while its hash stands."""
        self._accounts = accounts
        self._settings = settings
        self._throttle.bounds = settings.throttle

    def close(self) -> None:
        """Check nothing more: what waits is answered BUSY."""
        self._pool.close()

    def recognise(self, address: str, field: str) -> Verdict | None:
        """Accept an Authorization field that is the same, octet by octet, as one found right.

        As `recall`, before anything of the field is taken apart.
        """
        right = self._fields.find(self._fields.tag(_octets(field)))
        account = None if right is None else self._accounts.get(right.name)
        if right is None or account is None or self._is_shut(address, account):
            return None
        if right.stored == account.hash.text:
            return _accepted(account.name)
        for known in account.in_force(self._now()):
            if known.text == right.stored:
                return self._accept(address, account, known)
        return None

    def recall(
        self, address: str, name: str, passphrase: bytes, *, field: str = ""
    ) -> Verdict | None:
        """Accept a credential that was found right a short while ago; None if it must be checked.

        Never waits. That the user is still there, neither disabled nor expired, and that the hash
        is still in force is looked at each time. `field` is what the credential came in, to be
        recognised the next time.
        """
        account = self._find(name)
        if account is None or self._is_shut(address, account):
            return None
        right = self._cache.find(self._tag(account.name, passphrase))
        for known in account.in_force(self._now()):
            if right is not None and known.text == right.stored:
                self._remember_field(field, account.name, known)
                return self._accept(address, account, known)
        return None

    def _is_shut(self, address: str, account: Account) -> bool:
        """Tell whether a user may not sign in now from there, by whatever credential."""
        return not account.is_open(self._now()) or (
            not self._throttle.is_quiet()
            and self._throttle.is_exhausted(pair_of(network_of(address), account.name))
        )

    def _tag(self, name: str, passphrase: bytes) -> bytes:
        return self._cache.tag(_octets(name), passphrase)

    def _remember_field(self, field: str, name: str, matched: Hash) -> None:
        if field:
            self._fields.remember(self._fields.tag(_octets(field)), name, matched.text)

    async def check(
        self, address: str, name: str, passphrase: bytes, *, field: str = ""
    ) -> Verdict:
        """Judge a credential: by the cache, else by the hash in a thread, unless throttled.

        Several at once with one credential share one check. Every refusal takes as much work as
        checking the user with the highest cost.
        """
        recalled = self.recall(address, name, passphrase, field=field)
        if recalled is not None:
            return recalled
        account = self._find(name)
        known_as = account.name if account else UNKNOWN
        network = network_of(address)
        pair = pair_of(network, known_as)
        tag = self._cache.tag(_octets(name), passphrase, pair)
        task = self._under_way.get(tag)
        if task is None:
            claim = _Claim(address, network, known_as, passphrase, field, pair)
            left = self._throttle.blocked(pair)
            if left:
                return self._turn_away(claim, left)
            if len(self._under_way) >= _CHECKS:
                return Verdict(Outcome.BUSY, retry_after=_BUSY_SECONDS)
            task = self._begin(claim, tag)
        # The check goes on when one who waits for it goes away: it counts, and others may wait.
        return await asyncio.shield(task)

    async def refuse(self, address: str) -> Verdict:
        """Refuse what is no credential, at the cost of one whose name is unknown."""
        return await self.check(address, UNKNOWN, b"")

    def _find(self, name: str) -> Account | None:
        return self._accounts.get(name) or self._accounts.get(names.canonical(name))

    def _begin(self, claim: _Claim, tag: bytes) -> asyncio.Task[Verdict]:
        task = asyncio.get_running_loop().create_task(self._decide(claim))
        self._under_way[tag] = task
        task.add_done_callback(lambda _: self._under_way.pop(tag, None))
        return task

    async def _decide(self, claim: _Claim) -> Verdict:
        place = await self._throttle.enter(claim.pair)
        if isinstance(place, Refusal):
            if place.busy:
                return Verdict(Outcome.BUSY, retry_after=place.retry_after)
            return self._turn_away(claim, place.retry_after)
        try:
            matched = await self._examine(claim)
        except Full as full:
            self._throttle.forgive(place)
            return Verdict(Outcome.BUSY, retry_after=full.retry_after)
        account = self._accounts.get(claim.name)
        if matched is None or account is None or not self._stands(account, matched):
            self._throttle.refuse(place)
            return Verdict(Outcome.REFUSED)
        self._throttle.forgive(place)
        tag = self._tag(account.name, claim.passphrase)
        self._cache.remember(tag, account.name, matched.text)
        self._remember_field(claim.field, account.name, matched)
        return self._accept(claim.address, account, matched)

    async def _examine(self, claim: _Claim) -> Hash | None:
        work = functools.partial(
            _matched,
            trimmed(claim.passphrase),
            self._accounts,
            claim.name,
            self._now(),
            Work(1 << self._settings.bcrypt_cost),
        )
        return await self._pool.run(claim.network, claim.name, work)

    def _stands(self, account: Account, matched: Hash) -> bool:
        """Tell whether a match still counts: the accounts may be others than when it began."""
        now = self._now()
        return account.is_open(now) and matched in account.in_force(now)

    def _accept(self, address: str, account: Account, matched: Hash) -> Verdict:
        previous = account.terms.previous
        is_previous = matched != account.hash and previous is not None
        if is_previous and previous:
            self._watch.note(address, account.name, previous)
        return Verdict(Outcome.ACCEPTED, account.name, previous=is_previous)

    def _turn_away(self, claim: _Claim, left: int) -> Verdict:
        if self._throttle.miss(claim.pair, left):
            bounds = self._settings.throttle
            _log.warning(
                "%s from %s must wait %d s: %d wrong passphrases within %d s",
                f"user {claim.name}" if claim.name else "unknown users",
                claim.network,
                left,
                bounds.failures,
                bounds.seconds,
            )
        return Verdict(Outcome.THROTTLED, retry_after=left)


@functools.lru_cache(maxsize=1024)
def _accepted(name: str) -> Verdict:
    return Verdict(Outcome.ACCEPTED, name)


def _octets(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


def _matched(
    passphrase: bytes, accounts: Accounts, name: str, now: float, otherwise: Work
) -> Hash | None:
    """Check a passphrase; without any bcrypt hash in the file a refusal costs `otherwise`."""
    account = accounts.get(name)
    known = account.in_force(now) if account and account.is_open(now) else ()
    highest = accounts.highest_work(now)
    target = highest if highest.rounds else highest.at_least(otherwise)
    return examine(passphrase, known, target)


def _threads(workers: int | None) -> int:
    """Give each worker its share of the cores, at least one thread."""
    cores = usable_cores()
    return max(1, math.ceil(cores / (workers or cores)))
