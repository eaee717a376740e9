"""Starlette's static files under uvicorn: one process, no access log."""

from __future__ import annotations

import uvicorn
from common import BACKLOG, announce, listen, read_plan
from starlette.applications import Starlette
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles


def main() -> None:
    """Serve until ended."""
    plan, listener = read_plan(), listen()
    application = Starlette(routes=[Mount("/", StaticFiles(directory=plan.folder))])
    config = uvicorn.Config(
        application,
        log_level="warning",
        access_log=False,
        backlog=BACKLOG,
        ssl_certfile=plan.certificate or None,
        ssl_keyfile=plan.key or None,
    )
    # Connections wait in the listening socket's queue until the loop accepts them.
    announce(listener)
    uvicorn.Server(config).run(sockets=[listener])


if __name__ == "__main__":
    main()
