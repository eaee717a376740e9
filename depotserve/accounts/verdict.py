"""What the gate answers."""

from __future__ import annotations

import enum

import attrs

__all__ = ["Outcome", "Verdict"]


class Outcome(enum.Enum):
    """How a credential fared."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    THROTTLED = "throttled"  # too many were wrong; nothing was checked
    BUSY = "busy"  # too many wait; nothing was checked


@attrs.frozen
class Verdict:
    """The answer to a credential.

    `user` is the name in the users file, "" unless accepted; `retry_after` is in seconds, 0 unless
    throttled or busy; `previous` tells that the passphrase is the replaced one.
    """

    outcome: Outcome
    user: str = ""
    retry_after: int = 0
    previous: bool = False
