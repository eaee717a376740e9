"""The server's TLS context: what is offered, and how a new certificate takes an old one's place."""

from __future__ import annotations

import os
import ssl
import tempfile
from contextlib import contextmanager
from typing import TYPE_CHECKING

from depotserve.errors import CallerError
from depotserve.tls.pem import read_pairs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tls.pem import Credential

__all__ = ["ServerContext", "load_pair"]

# TLS 1.2: forward secrecy and authenticated encryption only. TLS 1.3's own suites are all both.
_CIPHERS_1_2 = "ECDHE+AESGCM:ECDHE+CHACHA20"


class ServerContext:
    """One context for the listening sockets, whose certificate can be changed under them.

    `context` is given to the event loop once. Each handshake asks it which certificate is in
    force, also when the client names no server (no SNI), so that `replace` counts for every new
    connection while those that stand go on. Made before the workers are forked, it gives them
    all the same ticket keys, so that a client resumes its session with any of them.
    """

    def __init__(self, certificate: bytes, key: bytes) -> None:
        """Load PEM text of a chain, leaf first, and of its key; raise CallerError if unusable."""
        self.context = _load(certificate, key)
        self._current = self.context
        self.context.sni_callback = self._choose

    def replace(self, certificate: bytes, key: bytes) -> None:
        """Put another certificate and key in force for new connections.

        Raises CallerError if they are unusable; what was in force then stays.
        """
        self._current = _load(certificate, key)

    def _choose(
        self, connection: ssl.SSLSocket | ssl.SSLObject, _name: str | None, _outer: ssl.SSLContext
    ) -> None:
        """Let the handshake at hand go on with the certificate in force."""
        connection.context = self._current


def load_pair(certificate: bytes, key: bytes) -> None:
    """Check that a server could start with this PEM text of a chain and its key.

    Raises CallerError, naming server.pem or server.key, if it could not.
    """
    _load(certificate, key)


def _load(certificate: bytes, key: bytes) -> ssl.SSLContext:
    """Give a context with these, or raise CallerError."""
    pairs = read_pairs(certificate, key, certificate_name="server.pem", key_name="server.key")
    context = _policy()
    for pair in pairs:
        _add(context, pair)
    return context


def _add(context: ssl.SSLContext, pair: Credential) -> None:
    """Give a context one chain with its key; it chooses by what the client can verify."""
    try:
        with _as_path(pair.chain.pem) as chain_path, _as_path(pair.key_pem) as key_path:
            context.load_cert_chain(chain_path, key_path, password=_no_passphrase)
    except (ssl.SSLError, ValueError) as error:
        reason = getattr(error, "reason", None) or type(error).__name__
        raise CallerError(
            f"cannot be used for TLS ({reason})",
            where="server.pem",
            allowed="an ECDSA key, or RSA of 2048 bits or more, and a SHA-2 signature",
        ) from error


def _policy() -> ssl.SSLContext:
    """Give a context that offers TLS 1.2 and 1.3 and nothing that is known to be weak."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers(_CIPHERS_1_2)
    context.set_alpn_protocols(["http/1.1"])
    context.options |= ssl.OP_NO_RENEGOTIATION | ssl.OP_NO_COMPRESSION
    # All suites are strong, so the client may choose: one without AES hardware takes ChaCha20.
    context.options &= ~ssl.OP_CIPHER_SERVER_PREFERENCE
    return context


@contextmanager
def _as_path(content: bytes) -> Iterator[str]:
    """Give a path under which `content` can be read once; the library loads from paths only.

    The bytes come from the caller, not from the file on disk, so that what was checked is what
    is used. They lie in memory, or in a file of mode 0600 where the system has no such files.
    """
    try:
        descriptor = os.memfd_create("tls", os.MFD_CLOEXEC)
    except (AttributeError, OSError):
        with tempfile.NamedTemporaryFile() as file:
            file.write(content)
            file.flush()
            yield file.name
        return
    try:
        with open(descriptor, "wb", closefd=False) as file:
            file.write(content)
        yield f"/proc/self/fd/{descriptor}"
    finally:
        os.close(descriptor)


def _no_passphrase() -> str:
    """Refuse to prompt: a service would hang at a terminal that nobody watches."""
    raise ValueError("the key is encrypted")
