"""The standard library's server: a thread a connection, HTTP/1.1, no log.

Without TCP_NODELAY, which it does not set by itself, its head and body in two writes would wait
for each other's confirmation and no figure of it would mean anything.
"""

from __future__ import annotations

from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING

from common import BACKLOG, announce, read_plan

if TYPE_CHECKING:
    from typing import Any


class _Server(ThreadingHTTPServer):
    request_queue_size = BACKLOG


class _Handler(SimpleHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True

    def log_message(self, *_: Any) -> None:
        """Log nothing."""


def main() -> None:
    """Serve until ended."""
    plan = read_plan()
    with _Server(("127.0.0.1", 0), partial(_Handler, directory=str(plan.folder))) as server:
        announce(server.socket)
        server.serve_forever()


if __name__ == "__main__":
    main()
