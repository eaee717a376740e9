"""Small servers for the probe to look at: a whole depot with one thing broken, or raw bytes."""

from __future__ import annotations

import base64
import contextlib
import gzip
import hashlib
import json
import re
import socket
import threading
import time
from email.utils import formatdate
from typing import TYPE_CHECKING, Callable

import attrs

if TYPE_CHECKING:
    import ssl
    from collections.abc import Iterator

USER, PASSPHRASE = "ann", "s3cret"
FIELD = f"Basic {base64.b64encode(f'{USER}:{PASSPHRASE}'.encode()).decode()}"
CONTENT = bytes(range(256)) * 512  # 128 KiB
MODIFIED = "Mon, 01 Jan 2024 00:00:00 GMT"
_SECONDS = 30.0


@attrs.define
class Asked:
    """One request as it came."""

    method: str
    target: str
    fields: dict[str, str]

    @classmethod
    def of(cls, head: bytes) -> Asked:
        """Take a head apart."""
        first, *lines = head.decode("latin-1").split("\r\n")
        method, target, _ = first.split(" ", 2)
        pairs = (line.partition(":") for line in lines if line)
        return cls(method, target, {name.lower(): value.strip() for name, _, value in pairs})


@attrs.define
class Stub:
    """A running server, and all that it received."""

    port: int
    asked: list[Asked] = attrs.Factory(list)

    @property
    def authorizations(self) -> list[str]:
        """List every Authorization field that came."""
        return [one.fields["authorization"] for one in self.asked if "authorization" in one.fields]


Serve = Callable[[socket.socket, Stub], None]


@contextlib.contextmanager
def listening(serve: Serve, tls: ssl.SSLContext | None = None) -> Iterator[Stub]:
    """Serve each connection in a thread of its own until the block ends."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        stub = Stub(listener.getsockname()[1])
        ended = threading.Event()
        thread = threading.Thread(
            target=_accept, args=(listener, serve, stub, tls, ended), daemon=True
        )
        thread.start()
        try:
            yield stub
        finally:
            ended.set()
            with contextlib.suppress(OSError):
                socket.create_connection(("127.0.0.1", stub.port), 1).close()
            thread.join(_SECONDS)


def _accept(
    listener: socket.socket,
    serve: Serve,
    stub: Stub,
    tls: ssl.SSLContext | None,
    ended: threading.Event,
) -> None:
    while True:
        connection, _ = listener.accept()
        if ended.is_set():
            connection.close()
            return
        threading.Thread(target=_one, args=(connection, serve, stub, tls), daemon=True).start()


def _one(connection: socket.socket, serve: Serve, stub: Stub, tls: ssl.SSLContext | None) -> None:
    connection.settimeout(_SECONDS)
    with contextlib.suppress(OSError), contextlib.ExitStack() as stack:
        stack.enter_context(connection)
        if tls is not None:
            connection = stack.enter_context(tls.wrap_socket(connection, server_side=True))
        serve(connection, stub)


def read_head(connection: socket.socket) -> bytes:
    """Read one request's head, without the blank line; nothing at the end."""
    received = bytearray()
    while not received.endswith(b"\r\n\r\n"):
        piece = connection.recv(1)
        if not piece:
            return b""
        received += piece
    return bytes(received[:-4])


def saying(data: bytes, *, wait_for_head: bool = True) -> Serve:
    """Serve the same bytes on every connection, and end it."""

    def serve(connection: socket.socket, stub: Stub) -> None:
        head = read_head(connection) if wait_for_head else b""
        if head:
            stub.asked.append(Asked.of(head))
        if head or not wait_for_head:
            connection.sendall(data)

    return serve


@attrs.define(kw_only=True)
class Shelf:
    """A depot with one file, right in all that the probe looks at, but for what is set here."""

    base: str = "/"
    asks: bool = True  # for a password
    known: str = FIELD  # the Authorization field that lets in; another value: none does
    file_asks: bool = False  # the file asks for one, whatever the folder does
    lets_all_in: bool = False
    challenge: str = 'Basic realm="plant"'
    listing: int = 200
    html: bool = False
    ranges: bool = True
    wrong_range: bool = False
    conditional: bool = True
    digest: bytes = CONTENT  # what Repr-Digest is made of
    listed: bytes | None = None  # what the checksum list is made of; None: there is none
    cut: bool = False
    stale: bool = False  # connections end after an answer, unsaid
    closes: bool = False  # likewise, and said
    throttled_after: int = 1 << 30  # requests
    clock: float = 0.0  # seconds that it is ahead
    coded: bool = False
    head_length: int = len(CONTENT)
    redirect: str = ""  # where the base redirects to
    old_filter: bool = False  # refuses Java's Accept
    count: int = 0

    def __call__(self, connection: socket.socket, stub: Stub) -> None:
        """Serve one connection."""
        while head := read_head(connection):
            stub.asked.append(Asked.of(head))
            self.count += 1
            status, fields, body = self._answer(stub.asked[-1])
            connection.sendall(self._written(stub.asked[-1], status, fields, body))
            if self.stale or self.closes or (self.cut and status == 200 and body == CONTENT):
                return

    def bytes_for(self, asked: Asked) -> bytes:
        """Give the whole answer to one request."""
        return self._written(asked, *self._answer(asked))

    def _written(self, asked: Asked, status: int, fields: dict[str, str], body: bytes) -> bytes:
        has_body = status not in {204, 304}
        length = len(body)
        if asked.method == "HEAD" and body == CONTENT:
            length = self.head_length
        given = {
            "Date": formatdate(time.time() + self.clock, usegmt=True),
            **({"Content-Length": str(length)} if has_body else {}),
            **({"Connection": "close"} if self.closes else {}),
            **fields,
        }
        lines = [f"HTTP/1.1 {status} X", *(f"{name}: {value}" for name, value in given.items())]
        head = "".join(f"{line}\r\n" for line in [*lines, ""]).encode("latin-1")
        if asked.method == "HEAD" or not has_body:
            return head
        return head + (body[:1000] if self.cut and body == CONTENT else body)

    def _answer(self, asked: Asked) -> tuple[int, dict[str, str], bytes]:
        if self.count > self.throttled_after:
            return 429, {"Retry-After": "30"}, b""
        if self.redirect and asked.target == self.base:
            return 302, {"Location": self.redirect}, b""
        if self.old_filter and "q=.2" in asked.fields.get("accept", ""):
            return 406, {}, b""
        field = asked.fields.get("authorization")
        asks = self.asks or (self.file_asks and asked.target.endswith("f.bin"))
        if asks and field != self.known and not (field and self.lets_all_in):
            return 401, {"WWW-Authenticate": self.challenge} if self.challenge else {}, b"sign in"
        return self._content(asked)

    def _content(self, asked: Asked) -> tuple[int, dict[str, str], bytes]:
        if asked.target == self.base:
            return self._listing()
        if asked.target == f"{self.base}f.bin":
            return self._file(asked)
        if asked.target == f"{self.base}SHA256SUMS" and self.listed is not None:
            line = f"{hashlib.sha256(self.listed).hexdigest()}  f.bin\n"
            return 200, {"Content-Type": "text/plain"}, line.encode()
        return 404, {}, b""

    def _listing(self) -> tuple[int, dict[str, str], bytes]:
        if self.listing != 200:
            return self.listing, {}, b""
        names = ["f.bin", *(["SHA256SUMS"] if self.listed is not None else [])]
        if self.html:
            links = "".join(f'<a href="{name}">{name}</a>' for name in names)
            page = f'<a href="../">up</a><a href="?C=N">sort</a>{links}'
            return 200, {"Content-Type": "text/html; charset=utf-8"}, page.encode()
        entries = [
            {
                "name": name,
                "href": name,
                "kind": "file",
                "size": len(CONTENT) if "f." in name else 1,
            }
            for name in names
        ]
        document = {"path": self.base, "entries": entries}
        return 200, {"Content-Type": "application/json"}, json.dumps(document).encode()

    def _file(self, asked: Asked) -> tuple[int, dict[str, str], bytes]:
        wire = gzip.compress(CONTENT, mtime=0) if self.coded else CONTENT
        digest = hashlib.sha256(wire if self.coded else self.digest).digest()
        fields = {
            "ETag": '"one"',
            "Last-Modified": MODIFIED,
            "Repr-Digest": f"sha-256=:{base64.b64encode(digest).decode()}:",
            **({"Content-Encoding": "gzip"} if self.coded else {}),
        }
        if self.conditional and {"if-none-match", "if-modified-since"} & set(asked.fields):
            return 304, {"ETag": '"one"'}, b""
        match = re.fullmatch(r"bytes=(\d+)-(\d+)", asked.fields.get("range", ""))
        if match and self.ranges:
            first, last = int(match[1]), int(match[2])
            part = CONTENT[first : last + 1]
            part = part[::-1] if self.wrong_range else part
            shown = {"Content-Range": f"bytes {first}-{last}/{len(CONTENT)}"}
            return 206, {**fields, **shown}, part
        return 200, fields, wire
