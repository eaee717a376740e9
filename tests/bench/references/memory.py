"""An aiohttp application of one route that answers one file's bytes from memory."""

from __future__ import annotations

import asyncio

from aiohttp import web
from common import BACKLOG, announce, listen, read_plan

NAME = "4k.bin"  # of the folder, held in memory


async def main() -> None:
    """Serve until ended."""
    plan, listener = read_plan(), listen()
    body = (plan.folder / NAME).read_bytes()

    async def answer(_request: web.Request) -> web.Response:
        return web.Response(body=body)

    application = web.Application()
    application.router.add_get(f"/{NAME}", answer)
    runner = web.AppRunner(application, access_log=None)
    await runner.setup()
    await web.SockSite(runner, listener, ssl_context=plan.tls, backlog=BACKLOG).start()
    announce(listener)
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main())
