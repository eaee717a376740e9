"""Coroutines begun without a task: what they give, raise and clean up is as if they had one."""

from __future__ import annotations

import asyncio
import contextlib
import contextvars
import threading
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, Callable

import pytest

from depotserve.http.eagerly import run_eagerly

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Awaitable, Coroutine

SECONDS = 20.0  # what anything here may take at most on a busy machine


def begun(coroutine: Coroutine[Any, Any, Any]) -> asyncio.Task[Any]:
    """Begin one that waits."""
    task = run_eagerly(coroutine)
    assert isinstance(task, asyncio.Task)
    return task


async def end_of(coroutine: Coroutine[Any, Any, Any]) -> Any:
    """Begin one that waits, and give its result."""
    return await asyncio.wait_for(begun(coroutine), SECONDS)


async def give(value: object) -> object:
    return value


async def bare_yield() -> None:
    await asyncio.sleep(0)


async def later_future() -> None:
    loop = asyncio.get_running_loop()
    future = loop.create_future()
    loop.call_later(0.01, future.set_result, None)
    await future


async def short_sleep() -> None:
    await asyncio.sleep(0.01)


async def thread() -> None:
    await asyncio.get_running_loop().run_in_executor(None, threading.Event().wait, 0.01)


async def shielded() -> None:
    await asyncio.shield(asyncio.ensure_future(short_sleep()))


async def gathered() -> None:
    await asyncio.gather(short_sleep(), bare_yield())


async def locked() -> None:
    lock = asyncio.Lock()
    await lock.acquire()
    asyncio.get_running_loop().call_later(0.01, lock.release)
    async with lock:
        pass


WAITS = [bare_yield, later_future, short_sleep, thread, shielded, gathered, locked]
Wait = Callable[[], "Awaitable[None]"]


# Without a wait.


@pytest.mark.parametrize("value", [None, 0, b"x", ValueError("a value like any other")])
async def test_one_that_never_waits_gives_its_result_at_once_and_makes_no_task(
    value: object,
) -> None:
    before = asyncio.all_tasks()

    async def answer() -> object:
        return await give(value)

    assert run_eagerly(answer()) is value
    assert asyncio.all_tasks() == before


async def test_awaiting_what_has_ended_already_is_no_wait() -> None:
    future = asyncio.get_running_loop().create_future()
    future.set_result("there")
    task = asyncio.ensure_future(give("done"))
    await task

    async def answer() -> tuple[Any, Any]:
        return await future, await task

    assert run_eagerly(answer()) == ("there", "done")


async def test_one_that_raises_before_it_waits_raises_at_once() -> None:
    before, seen = asyncio.all_tasks(), []

    async def answer() -> None:
        try:
            await give(None)
            raise LookupError("here")
        finally:
            seen.append("finally")

    with pytest.raises(LookupError, match="here"):
        run_eagerly(answer())
    assert seen == ["finally"]
    assert asyncio.all_tasks() == before


async def test_one_that_cancels_itself_before_it_waits_raises_that() -> None:
    async def answer() -> None:
        raise asyncio.CancelledError

    with pytest.raises(asyncio.CancelledError):
        run_eagerly(answer())


# With waits.


@pytest.mark.parametrize("wait", WAITS, ids=lambda wait: wait.__name__)
async def test_one_that_waits_goes_on_as_a_task_with_the_same_result(wait: Wait) -> None:
    seen: list[str] = []

    async def answer() -> str:
        seen.append("first")
        await wait()
        seen.append("second")
        await wait()
        return "result"

    task = begun(answer())
    assert seen == ["first"]
    assert not task.done()
    assert await asyncio.wait_for(task, SECONDS) == "result"
    assert seen == ["first", "second"]


@pytest.mark.parametrize("wait", WAITS, ids=lambda wait: wait.__name__)
async def test_one_that_raises_after_it_waited_fails_as_a_task(wait: Wait) -> None:
    async def answer() -> None:
        await wait()
        raise LookupError("after")

    with pytest.raises(LookupError, match="after"):
        await end_of(answer())


async def test_what_is_waited_for_gives_its_value_or_raises() -> None:
    loop = asyncio.get_running_loop()
    good, bad = loop.create_future(), loop.create_future()
    loop.call_later(0.01, good.set_result, "value")
    loop.call_later(0.02, bad.set_exception, LookupError("from outside"))

    async def answer() -> tuple[Any, str]:
        value = await good
        try:
            await bad
        except LookupError as error:
            return value, str(error)
        return value, ""

    assert await end_of(answer()) == ("value", "from outside")


@pytest.mark.parametrize("raises", [False, True])
async def test_a_future_that_ends_before_the_task_begins_is_taken_as_it_ended(
    raises: bool,
) -> None:
    future = asyncio.get_running_loop().create_future()

    async def answer() -> Any:
        return await future

    task = begun(answer())
    # In the same turn, before the loop has run the task.
    if raises:
        future.set_exception(LookupError("early"))
        with pytest.raises(LookupError, match="early"):
            await asyncio.wait_for(task, SECONDS)
    else:
        future.set_result("early")
        assert await asyncio.wait_for(task, SECONDS) == "early"


async def test_a_future_cancelled_before_the_task_begins_is_noticed() -> None:
    future = asyncio.get_running_loop().create_future()

    async def answer() -> str:
        try:
            await future
        except asyncio.CancelledError:
            return "cancelled"
        return ""

    task = begun(answer())
    future.cancel()
    assert await asyncio.wait_for(task, SECONDS) == "cancelled"


async def test_begun_by_a_callback_it_has_no_task_until_it_has_waited() -> None:
    # As a transport begins answers; what needs a task (asyncio.timeout) must not come first.
    async def answer() -> list[asyncio.Task[Any] | None]:
        before = asyncio.current_task()
        await asyncio.sleep(0)
        return [before, asyncio.current_task()]

    loop = asyncio.get_running_loop()
    begun_there = loop.create_future()
    loop.call_soon(lambda: begun_there.set_result([begun(answer())]))
    (task,) = await asyncio.wait_for(begun_there, SECONDS)
    assert await task == [None, task]


async def test_the_task_is_the_current_one_once_it_goes_on() -> None:
    async def answer() -> list[asyncio.Task[Any] | None]:
        seen = []
        for _ in range(2):
            await asyncio.sleep(0)
            seen.append(asyncio.current_task())
        return seen

    task = begun(answer())
    assert await task == [task, task]


async def test_many_begun_at_once_do_not_disturb_each_other() -> None:
    async def answer(number: int) -> int:
        for _ in range(number % 5):
            await asyncio.sleep(0)
        await asyncio.sleep(0.001 * (number % 3))
        return number

    found = [run_eagerly(answer(number)) for number in range(300)]
    ended = [await each if isinstance(each, asyncio.Task) else each for each in found]
    assert ended == list(range(300))


async def test_one_may_begin_others() -> None:
    async def inner() -> str:
        await asyncio.sleep(0)
        return "inner"

    async def outer() -> tuple[Any, Any]:
        return run_eagerly(give("at once")), await begun(inner())

    assert await end_of(outer()) == ("at once", "inner")


async def test_what_is_set_in_the_context_before_the_wait_is_there_after_it() -> None:
    variable: contextvars.ContextVar[str] = contextvars.ContextVar("variable", default="outside")

    async def answer() -> str:
        variable.set("inside")
        await asyncio.sleep(0)
        return variable.get()

    assert await end_of(answer()) == "inside"


# Cancelling.


@pytest.mark.parametrize("turns", [0, 1, 3])
async def test_one_that_is_cancelled_closes_what_it_reads_whenever_that_is(turns: int) -> None:
    seen: list[str] = []

    async def answer() -> None:
        generator = pieces(seen)
        try:
            async for _ in generator:
                await asyncio.sleep(SECONDS)
        finally:
            await generator.aclose()

    task = begun(answer())
    for _ in range(turns):
        await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(task, SECONDS)
    assert seen == ["closed"]


@pytest.mark.parametrize("turns", [0, 1, 3])
async def test_cancelling_reaches_the_coroutine_and_what_it_waits_for(turns: int) -> None:
    future, seen = asyncio.get_running_loop().create_future(), []

    async def answer() -> None:
        try:
            await future
        except asyncio.CancelledError:
            seen.append("cancelled")
            raise
        finally:
            seen.append("finally")

    task = begun(answer())
    for _ in range(turns):
        await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(task, SECONDS)
    assert seen == ["cancelled", "finally"]
    assert task.cancelled()
    assert future.cancelled()


async def test_one_that_is_cancelled_may_still_wait_while_it_cleans_up() -> None:
    seen = []

    async def answer() -> None:
        try:
            await asyncio.sleep(SECONDS)
        finally:
            await asyncio.sleep(0.01)
            seen.append("cleaned up")

    task = begun(answer())
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(task, SECONDS)
    assert seen == ["cleaned up"]


async def test_one_that_swallows_its_cancelling_goes_on() -> None:
    async def answer() -> str:
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.sleep(SECONDS)
        await asyncio.sleep(0)
        return "went on"

    task = begun(answer())
    await asyncio.sleep(0)
    task.cancel()
    assert await asyncio.wait_for(task, SECONDS) == "went on"


@pytest.mark.parametrize("turns", [0, 2])
async def test_what_is_shielded_goes_on_when_the_waiting_is_cancelled(turns: int) -> None:
    inner = asyncio.ensure_future(asyncio.sleep(0.05, "inner"))

    async def answer() -> str:
        return await asyncio.shield(inner)

    task = begun(answer())
    for _ in range(turns):
        await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(task, SECONDS)
    assert await asyncio.wait_for(inner, SECONDS) == "inner"


# Other things to await.


async def test_a_thread_gives_its_result_or_what_it_raises() -> None:
    def work(number: int) -> float:
        return 1 / number

    with ThreadPoolExecutor(1) as pool:

        async def answer(number: int) -> float:
            return await asyncio.get_running_loop().run_in_executor(pool, work, number)

        assert await end_of(answer(2)) == 0.5
        with pytest.raises(ZeroDivisionError):
            await end_of(answer(0))


async def test_a_limited_wait_after_a_first_wait_ends_in_time_or_not() -> None:
    async def answer(seconds: float, most: float) -> str:
        await asyncio.sleep(0)  # so that there is a task, which Python 3.12 needs for it
        try:
            return await asyncio.wait_for(asyncio.sleep(seconds, "in time"), most)
        except asyncio.TimeoutError:
            return "too late"

    assert await end_of(answer(0.01, SECONDS)) == "in time"
    assert await end_of(answer(SECONDS, 0.01)) == "too late"


async def pieces(seen: list[str]) -> AsyncGenerator[int, None]:
    try:
        for number in range(3):
            yield number
            await asyncio.sleep(0)
    finally:
        await asyncio.sleep(0)
        seen.append("closed")


async def test_an_async_generator_is_read_to_its_end_and_closed() -> None:
    seen: list[str] = []

    async def answer() -> list[int]:
        return [piece async for piece in pieces(seen)]

    assert await end_of(answer()) == [0, 1, 2]
    assert seen == ["closed"]


@pytest.mark.parametrize("ending", ["break", "cancel", "raise"])
async def test_an_async_generator_that_is_left_early_is_closed_before_the_task_ends(
    ending: str,
) -> None:
    seen: list[str] = []

    async def answer() -> None:
        generator = pieces(seen)
        try:
            async for piece in generator:
                if piece == 1 and ending == "raise":
                    raise LookupError("midway")
                if piece == 1 and ending == "cancel":
                    await asyncio.sleep(SECONDS)
                if piece == 1:
                    break
        finally:
            await generator.aclose()

    task = begun(answer())
    for _ in range(5):
        await asyncio.sleep(0)
    if ending == "cancel":
        task.cancel()
    (found,) = await asyncio.wait_for(asyncio.gather(task, return_exceptions=True), SECONDS)
    kinds = {"break": type(None), "cancel": asyncio.CancelledError, "raise": LookupError}
    assert type(found) is kinds[ending]
    assert seen == ["closed"]
