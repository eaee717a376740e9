"""Coroutines that are run at once up to their first wait, and only then become tasks.

Most answers never wait: a task for each, and the turn of the loop that begins it, would cost as
much as all of the rest. (Python 3.12 has eager tasks of its own; the floor here is 3.9.)
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import TYPE_CHECKING, Any, TypeVar, Union

if TYPE_CHECKING:
    from collections.abc import Generator

__all__ = ["run_eagerly"]

_Result = TypeVar("_Result")


def run_eagerly(
    coroutine: Coroutine[Any, Any, _Result],
) -> Union[_Result, asyncio.Task[_Result]]:  # noqa: UP007 - evaluated by tools on Python 3.9
    """Run `coroutine` until it waits: give its result, or the task that goes on from there.

    Raises what the coroutine raises before its first wait. Until then there is no current task.
    """
    try:
        waited_for = coroutine.send(None)
    except StopIteration as end:
        result: _Result = end.value
        return result
    return asyncio.get_running_loop().create_task(_Rest(coroutine, waited_for))


class _Rest(Coroutine[Any, Any, Any]):
    """What is left of a coroutine that has begun to wait: the task's first step gives for what."""

    __slots__ = ("_begun", "_coroutine", "_waited_for")

    def __init__(self, coroutine: Coroutine[Any, Any, Any], waited_for: Any) -> None:  # noqa: ANN401
        self._coroutine = coroutine
        self._waited_for = waited_for
        self._begun = False

    def send(self, value: Any) -> Any:  # noqa: ANN401 - as coroutines have it
        """Go on, but for the first time."""
        if self._begun:
            return self._coroutine.send(value)
        self._begun = True
        waited_for, self._waited_for = self._waited_for, None
        return waited_for

    def throw(self, *error: Any) -> Any:  # noqa: ANN401 - as coroutines have it
        """Raise an error where the coroutine waits; what it waits for is not wanted any more."""
        self._begun = True
        waited_for, self._waited_for = self._waited_for, None
        if isinstance(waited_for, asyncio.Future):
            waited_for.cancel()
        return self._coroutine.throw(*error)

    def close(self) -> None:
        """End the coroutine."""
        self._coroutine.close()

    def __await__(self) -> Generator[Any, Any, Any]:
        """Refuse: a task alone steps through this."""
        raise NotImplementedError
