"""Coroutines that are run at once up to their first wait, and only then become tasks.

Most answers never wait: a task for each, and the turn of the loop that begins it, would cost as
much as all of the rest. (Python 3.12 has eager tasks of its own; the floor here is 3.9.)
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any, TypeVar, Union

if TYPE_CHECKING:
    from collections.abc import Coroutine, Generator

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
    return asyncio.get_running_loop().create_task(_rest(_Rest(coroutine, waited_for)))


async def _rest(rest: _Rest) -> Any:  # noqa: ANN401 - whatever the coroutine gives
    return await rest


class _Rest:
    """What is left of a coroutine that waits for a future."""

    __slots__ = ("_coroutine", "_waited_for")

    def __init__(self, coroutine: Coroutine[Any, Any, Any], waited_for: object) -> None:
        self._coroutine = coroutine
        self._waited_for = waited_for

    def __await__(self) -> Generator[Any, Any, Any]:
        try:
            while True:
                try:
                    value = yield self._waited_for
                except BaseException as error:  # noqa: BLE001, PERF203 - handed on as it comes
                    self._waited_for = self._coroutine.throw(error)
                else:
                    self._waited_for = self._coroutine.send(value)
        except StopIteration as end:
            return end.value
