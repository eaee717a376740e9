"""A command that is told to end clears away what it has begun."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from types import FrameType

__all__ = ["end_as_interrupted"]


def end_as_interrupted() -> None:
    """Let SIGTERM, and the loss of the terminal, do what an interruption from the keyboard does.

    Programs that were started end, private files go, and what was done is kept. A signal that is
    set aside from outside (`nohup`) stays so.
    """
    for number in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, _interrupt)


def _interrupt(_signal: int, _frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt
