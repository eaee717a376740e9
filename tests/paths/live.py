"""A depot of one anonymous mount in a process of its own, whose guard a test can take away.

`python live.py ROOT COUNTER [GUARD]` prints its port. COUNTER is a file of 8 bytes: how many
requests have reached the step that opens files. GUARD is `kept` (the real thing), `checked`
(resolve, compare, then open: right until something moves in between) or `none` (open whatever
the name says).
"""

from __future__ import annotations

import asyncio
import errno
import mmap
import os
import re
import struct
import sys
from pathlib import Path
from typing import Any, cast

from depotserve import beneath, http
from depotserve.config import DEFAULT_NEVER_SERVE, Listener, Mount, Settings
from depotserve.http import content, target

TRIPLET = re.compile(rb"%([0-9A-Fa-f]{2})")
READ = os.O_RDONLY | os.O_NONBLOCK


def opened(path: bytes, names: tuple[bytes, ...]) -> beneath.Opened:
    """Open a path as the kernel resolves it."""
    try:
        descriptor = os.open(path, READ)
    except ValueError:
        raise beneath.NotBeneathError(errno.ENOENT, "has a NUL") from None
    return beneath.Opened(descriptor, os.fstat(descriptor), names)


def open_checked(paths: tuple[bytes, ...], names: tuple[bytes, ...], _hides: Any) -> beneath.Opened:
    """Check first, then open by name: what the race test must catch."""
    real = os.path.realpath(os.path.join(paths[0], *names))
    if real != paths[0] and not real.startswith(paths[0] + b"/"):
        raise beneath.NotBeneathError(errno.ENOENT, "out of the root")
    return opened(os.path.join(paths[0], *names), names)


def open_anything(
    paths: tuple[bytes, ...], names: tuple[bytes, ...], _hides: Any
) -> beneath.Opened:
    """Open by name alone: what the property test must catch."""
    return opened(os.path.join(paths[0], *names), names)


def decode_carelessly(part: bytes) -> bytes:
    """Decode without a look at what comes out."""
    return TRIPLET.sub(lambda match: bytes((int(match[1], 16),)), part)


GUARDS = {"kept": content.open_beneath, "checked": open_checked, "none": open_anything}


async def main(root: Path, counter: Path, guard: str) -> None:
    """Serve `root` until the process is ended."""
    counted = mmap.mmap(os.open(counter, os.O_RDWR), 8)
    real = GUARDS[guard]

    def counting(*arguments: Any) -> beneath.Opened:
        struct.pack_into("=Q", counted, 0, struct.unpack_from("=Q", counted, 0)[0] + 1)
        return real(*arguments)

    content.open_beneath = counting
    if guard == "none":
        setattr(target, "_decode", decode_carelessly)  # noqa: B010 - the guard under test is private
    listener = Listener("127.0.0.1", 0, "none")
    settings = Settings(
        home=root.parent / "home",
        content=(Mount("/", root, "anonymous"),),
        listeners=(listener,),
        never_serve=DEFAULT_NEVER_SERVE,
    )
    log = http.AccessLog(Path(os.devnull), "combined")
    memory = memoryview(bytearray(http.Bandwidth.SIZE))
    trees = http.find_trees(settings.content)
    bandwidth = http.Bandwidth(memory, [memory])
    depot = http.Depot(settings, trees, cast("Any", None), log, bandwidth)
    loop = asyncio.get_running_loop()
    server = await loop.create_server(depot.protocol_factory(listener), "127.0.0.1", 0, backlog=512)
    sys.stdout.write(f"{server.sockets[0].getsockname()[1]}\n")
    sys.stdout.flush()
    await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), Path(sys.argv[2]), (sys.argv[3:] or ["kept"])[0]))
