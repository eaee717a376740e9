"""The stock aiohttp static route over a folder, without an access log."""

from __future__ import annotations

import asyncio

from aiohttp import web
from common import BACKLOG, announce, listen, read_plan


async def main() -> None:
    """Serve until ended."""
    plan, listener = read_plan(), listen()
    application = web.Application()
    application.router.add_static("/", plan.folder)
    runner = web.AppRunner(application, access_log=None)
    await runner.setup()
    await web.SockSite(runner, listener, ssl_context=plan.tls, backlog=BACKLOG).start()
    announce(listener)
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main())
