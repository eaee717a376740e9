"""The server's TLS context: what is offered, and how a new certificate takes an old one's place."""

from __future__ import annotations

import os
import ssl
import tempfile
import warnings
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING

from cryptography.hazmat.primitives.asymmetric import rsa

from depotserve.errors import CallerError
from depotserve.tls.pem import read_pairs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from depotserve.tls.custody import PemPair
    from depotserve.tls.pem import Credential

__all__ = ["ServerContext", "has_rsa", "load_pair"]

# TLS 1.2: forward secrecy and authenticated encryption only. TLS 1.3's own suites are all both.
_CIPHERS_1_2 = "ECDHE+AESGCM:ECDHE+CHACHA20"
# For clients from before 2008: also AES in CBC mode (RFC 3268) and a key exchange by RSA; the best
# that a client knows comes first. Level 0, since TLS 1.0 and 1.1 sign their handshake with SHA-1.
_CIPHERS_LEGACY = (
    "ECDHE+AESGCM:ECDHE+CHACHA20:ECDHE+AES:RSA+AESGCM:RSA+AES"
    ":!aNULL:!eNULL:!EXPORT:!RC4:!DES:!3DES:!MD5:!PSK:!SRP:!AESCCM:@SECLEVEL=0"
)


class ServerContext:
    """A context for each kind of TLS listener, whose certificate can be changed under them.

    What `of` gives is given to the event loop once. Each handshake asks which certificate is in
    force, also when the client names no server (no SNI), so that `replace` counts for every new
    connection while those that stand go on. Made before the workers are forked, it gives them
    all the same ticket keys, so that a client resumes its session with any of them.
    """

    def __init__(self, certificate: bytes, key: bytes, kinds: Iterable[str] = ("modern",)) -> None:
        """Load PEM text of a chain, leaf first, and of its key, for each of `kinds`.

        Those are what `Listener.tls` calls them. Raises CallerError for text that is unusable.
        """
        self._shown = {kind: _load(certificate, key, kind) for kind in kinds}
        self._current = dict(self._shown)
        for kind, context in self._shown.items():
            context.sni_callback = partial(self._choose, kind)

    def of(self, kind: str) -> ssl.SSLContext:
        """Give the context for listeners of a kind that this was made for."""
        return self._shown[kind]

    def replace(self, certificate: bytes, key: bytes) -> None:
        """Put another certificate and key in force for new connections.

        Raises CallerError if they are unusable; what was in force then stays.
        """
        self._current = {kind: _load(certificate, key, kind) for kind in self._shown}

    def _choose(
        self,
        kind: str,
        connection: ssl.SSLSocket | ssl.SSLObject,
        _name: str | None,
        _outer: ssl.SSLContext,
    ) -> None:
        """Let the handshake at hand go on with the certificate in force."""
        connection.context = self._current[kind]


def load_pair(certificate: bytes, key: bytes) -> None:
    """Check that a server could start with this PEM text of a chain and its key.

    Raises CallerError, naming server.pem or server.key, if it could not.
    """
    _load(certificate, key, "modern")


def has_rsa(pair: PemPair) -> bool:
    """Tell whether one of a server's certificates has a key for RSA. Raises CallerError."""
    found = read_pairs(pair.certificate, pair.key, certificate_name="", key_name="")
    return any(isinstance(one.key, rsa.RSAPrivateKey) for one in found)


def _load(certificate: bytes, key: bytes, kind: str) -> ssl.SSLContext:
    """Give a context with these, or raise CallerError."""
    pairs = read_pairs(certificate, key, certificate_name="server.pem", key_name="server.key")
    context = _POLICIES[kind]()
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


def _modern() -> ssl.SSLContext:
    """Give a context that offers TLS 1.2 and 1.3 and nothing that is known to be weak."""
    context = _policy(ssl.TLSVersion.TLSv1_2, _CIPHERS_1_2)
    # All suites are strong, so the client may choose: one without AES hardware takes ChaCha20.
    context.options &= ~ssl.OP_CIPHER_SERVER_PREFERENCE
    return context


def _legacy() -> ssl.SSLContext:
    """Give a context that offers whatever a client of TLS 1.0 and up can do at its best."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of the old versions, meant here
        context = _policy(ssl.TLSVersion.TLSv1, _CIPHERS_LEGACY)
    context.options |= ssl.OP_CIPHER_SERVER_PREFERENCE
    return context


def _policy(oldest: ssl.TLSVersion, ciphers: str) -> ssl.SSLContext:
    """Give a context with what both kinds have in common."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = oldest
    context.set_ciphers(ciphers)
    context.set_alpn_protocols(["http/1.1"])
    context.options |= ssl.OP_NO_RENEGOTIATION | ssl.OP_NO_COMPRESSION
    return context


_POLICIES: dict[str, Callable[[], ssl.SSLContext]] = {"modern": _modern, "legacy": _legacy}


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
