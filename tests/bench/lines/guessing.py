"""Line 7: 200 wrong passphrases a second beside 16 clients who know theirs."""

from __future__ import annotations

import asyncio
import collections
import contextlib
import secrets
import time
from functools import partial
from typing import TYPE_CHECKING

import attrs
from clients import TLS, beside
from figures import Case, Sample, check_ratio
from servers import Credential
from stage import Stage, alternate
from summary import rates, summed_up
from wrk import load

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from multiprocessing.synchronize import Event

    from servers import Subject

__all__ = ["cases"]

_A_SECOND = 200
_GOOD = 16
_LONGER = 3  # with guesses than without: what is checked first and then throttled changes
_MOST_WAITING = 2000  # guesses that have no answer yet
_SOURCES = {
    "one address": ["127.0.2.1"],
    "200 addresses": [f"127.0.1.{number}" for number in range(1, 201)],
}
_Guesses = tuple[dict[str, int], float]  # how many had which answer, the guesser's CPU share


def cases(stage: Stage) -> Iterator[Case]:
    """Compare the good clients' rate with and without guessing, each time on a fresh depot."""
    works = list(_SOURCES)
    results = alternate(works, stage.rounds, partial(_one, stage))
    for work, found in zip(works, results):
        alone, harried = [one[0] for one in found], [one[1] for one in found]
        figures = {
            "without guesses": summed_up(alone, "requests"),
            "with guesses": summed_up(harried, "requests"),
        }
        check = check_ratio("with to without", rates(harried), rates(alone), ">= 0.8")
        answers, share = found[-1][2]
        shown = ", ".join(f"{count} {what}" for what, count in sorted(answers.items()))
        notes = [f"the guesses of the last round: {shown}; guesser {share:.2f} cores"]
        title = f"{_A_SECOND} wrong passphrases/s from {work}, {_GOOD} good clients, TLS"
        yield Case(7, title, figures, [check], notes)


def _one(stage: Stage, work: str) -> tuple[Sample, Sample, _Guesses]:
    with stage.fresh(stage.cores) as depot:
        subject = depot.subject(tls=True)
        alone = load(subject, stage.small, _GOOD, stage.seconds)
        with beside(partial(_guess, subject, stage.small, _SOURCES[work])) as finish:
            seconds = stage.seconds if stage.quick else stage.seconds * _LONGER
            harried = load(subject, stage.small, _GOOD, seconds)
            return alone, harried, finish()


def _guess(
    subject: Subject, path: str, sources: Sequence[str], ready: Event, stop: Event
) -> _Guesses:
    return asyncio.run(_Guesser(subject, path, sources).run(ready, stop))


@attrs.define
class _Guesser:
    """Sends guesses by the clock, whatever becomes of those before."""

    subject: Subject
    path: str
    sources: Sequence[str]
    answers: collections.Counter[str] = attrs.Factory(collections.Counter)
    _idle: dict[str, list[tuple[asyncio.StreamReader, asyncio.StreamWriter]]] = attrs.Factory(
        lambda: collections.defaultdict(list)
    )

    async def run(self, ready: Event, stop: Event) -> _Guesses:
        """Guess until told to stop."""
        begun, cpu, sent = time.monotonic(), time.process_time(), 0
        tasks: set[asyncio.Task[None]] = set()
        while not stop.is_set():
            due = int((time.monotonic() - begun) * _A_SECOND)
            for number in range(sent, due):
                tasks.add(asyncio.create_task(self._send(self.sources[number % len(self.sources)])))
            sent = due
            if sent > _A_SECOND // 4:
                ready.set()
            tasks = {task for task in tasks if not task.done()}
            if len(tasks) > _MOST_WAITING:
                raise RuntimeError("the guesses are not answered")
            await asyncio.sleep(1 / _A_SECOND)
        share = (time.process_time() - cpu) / (time.monotonic() - begun)
        for task in tasks:
            task.cancel()
        self.answers["without an answer"] = len(tasks)
        return dict(self.answers), share

    async def _send(self, source: str) -> None:
        try:
            self.answers[await self._ask(source)] += 1
        except (OSError, asyncio.IncompleteReadError) as error:
            self.answers[type(error).__name__] += 1

    async def _ask(self, source: str) -> str:
        reader, writer = await self._connection(source)
        wrong = Credential(self.subject.credential.user, secrets.token_urlsafe(12))
        request = attrs.evolve(self.subject, credential=wrong).request(self.path)
        writer.write(request)
        head = await reader.readuntil(b"\r\n\r\n")
        fields = head.lower().split(b"\r\n")
        for field in fields:
            if field.startswith(b"content-length:"):
                await reader.readexactly(int(field.partition(b":")[2]))
        if b"connection: close" in fields:
            writer.close()
        else:
            self._idle[source].append((reader, writer))
        return head.split(b" ", 2)[1].decode()

    async def _connection(self, source: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        while self._idle[source]:
            reader, writer = self._idle[source].pop()
            if not reader.at_eof():
                return reader, writer
            writer.close()
        with contextlib.suppress(ValueError):
            return await asyncio.open_connection(
                "127.0.0.1", self.subject.port, ssl=TLS, local_addr=(source, 0)
            )
        raise OSError("no connection")
