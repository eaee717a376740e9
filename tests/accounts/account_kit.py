"""What the tests of accounts share: vectors of the shared conventions, and small parts."""

from __future__ import annotations

import mmap
from typing import TYPE_CHECKING, Any

import attrs

from depotserve import accounts
from depotserve.accounts import FailureCounts, Gate, terms_edit
from depotserve.config import Settings, Throttle

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.accounts import Accounts
    from depotserve.accounts.terms import Terms

# bcrypt of cost 4 and APR1, each confirmed by an implementation that is not used here.
S3CRET = "$2y$04$abcdefghijklmnopqrstuuLZYjhNQAOdpbzt4WxWlUHjv1wsyH5DG"
COLONS = "$2y$04$abcdefghijklmnopqrstuuWKM9L6i21cVKJJ7kQLZ04iWQlMaO87C"  # se:cr:et
PERCENT = "$2y$04$abcdefghijklmnopqrstuuYNsYoR2Ib4yPLpoAvrkj6uGuR3MLqry"  # p%2Bw@x
UMLAUTS = "$2y$04$abcdefghijklmnopqrstuuyx2n0Zzopyr9QuYTMCfOJJOj526QVoC"  # pässwörd, NFC
BLANK = "$2y$04$abcdefghijklmnopqrstuunOLX2r3elyxm2xpQV4tISvXwt8QqEnW"  # a blank, then lead
LONG = "$2b$04$abcdefghijklmnopqrstuuBzzIgyKkz7xMWYSzkIjUSnxEQFQ0WNe"  # 72 times a
APR1 = "$apr1$abcdefgh$M2T3erDstkD7SsE2QQnfH0"  # s3cret
OTHER = "$2b$04$CCCCCCCCCCCCCCCCCCCCC.tidtIFf5ZCN.gk6Mobs.YyDMzNhFfFm"  # dragon

NOW = 1_800_000_000.0  # 2027-01-15


@attrs.define
class Clock:
    """A clock that goes when it is told to."""

    time: float = 1000.0

    def __call__(self) -> float:
        """Give the time."""
        return self.time


def load(users: str, terms: dict[str, Terms] | None = None) -> Accounts:
    """Make accounts of lines and terms."""
    return accounts.load(users.encode(), terms_edit.amend(None, terms) if terms else None)


def settings(home: Path, **changes: Any) -> Settings:
    """Make settings that let tests run fast."""
    fields = {"home": home, "content": (), "listeners": (), "bcrypt_cost": 4, "workers": 1}
    return Settings(**{**fields, **changes})


def slots(workers: int = 1) -> list[memoryview]:
    """Make shared memory for so many workers, as the supervisor does before it forks."""
    size = FailureCounts.SIZE
    shared = memoryview(mmap.mmap(-1, workers * size))
    return [shared[each * size : (each + 1) * size] for each in range(workers)]


@attrs.define
class Bench:
    """A gate with the clocks that drive it."""

    gate: Gate
    settings: Settings
    clock: Clock
    day: Clock


def bench(
    home: Path,
    known: Accounts,
    *,
    memory: list[memoryview] | None = None,
    worker: int = 0,
    clock: Clock | None = None,
    **changes: Any,
) -> Bench:
    """Make a gate before `known`; `memory` is shared with the gates of other workers."""
    every = memory or slots()
    chosen = settings(home, **{"throttle": Throttle(failures=10, seconds=300.0), **changes})
    steady, day = clock or Clock(), Clock(NOW)
    gate = Gate(known, chosen, FailureCounts(every[worker], every), day, steady)
    return Bench(gate, chosen, steady, day)
