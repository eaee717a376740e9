"""A request that is refused: the status and the one sentence that its sender reads."""

from __future__ import annotations

__all__ = [
    "ALLOW",
    "LARGE_FIELDS",
    "LONG_TARGET",
    "METHODS",
    "OTHER_METHOD",
    "OTHER_VERSION",
    "REASONS",
    "Refusal",
]

METHODS = ("GET", "HEAD", "OPTIONS")
ALLOW = ("Allow", ", ".join(METHODS))  # RFC 9110 §10.2.1, which a 405 must carry

OTHER_METHOD = "The depot answers GET, HEAD and OPTIONS only."
OTHER_VERSION = "The depot speaks versions 1.0 and 1.1 of HTTP."
LONG_TARGET = "The request target is too long."
LARGE_FIELDS = "The request's fields are too large."

# RFC 9110 §15, RFC 6585 §4 and §5: the statuses that a depot answers with.
REASONS = {
    200: "OK",
    204: "No Content",
    206: "Partial Content",
    301: "Moved Permanently",
    304: "Not Modified",
    400: "Bad Request",
    401: "Unauthorized",
    403: "Forbidden",
    404: "Not Found",
    405: "Method Not Allowed",
    408: "Request Timeout",
    412: "Precondition Failed",
    414: "URI Too Long",
    416: "Range Not Satisfiable",
    429: "Too Many Requests",
    431: "Request Header Fields Too Large",
    500: "Internal Server Error",
    501: "Not Implemented",
    503: "Service Unavailable",
    505: "HTTP Version Not Supported",
}


class Refusal(Exception):  # noqa: N818 - an answer that ends a request early, no fault of ours
    """End a request with `status` and a sentence that tells nothing about the machine.

    `headers` are the fields that the status asks for (`Allow`, `WWW-Authenticate` …); with
    `close` the connection ends after the answer, since what follows on it can't be trusted.
    """

    def __init__(
        self,
        status: int,
        sentence: str,
        *,
        headers: tuple[tuple[str, str], ...] = (),
        close: bool = False,
    ) -> None:
        super().__init__(status, sentence)
        self.status = status
        self.sentence = sentence
        self.headers = headers
        self.close = close
