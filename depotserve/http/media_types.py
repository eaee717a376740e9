"""Media types by name suffix: our own table, so that every machine says the same.

No coding is ever derived from a suffix: a `.tar.gz` is an archive that arrives byte for byte
(RFC 9110 §8.4). Types are from the IANA registry where it has one.
"""

from __future__ import annotations

__all__ = ["UNKNOWN", "media_type"]

UNKNOWN = "application/octet-stream"

_TYPES = {
    b"7z": "application/x-7z-compressed",
    b"asc": "text/plain; charset=utf-8",
    b"avif": "image/avif",
    b"bz2": "application/x-bzip2",
    b"cer": "application/pkix-cert",
    b"cfg": "text/plain; charset=utf-8",
    b"conf": "text/plain; charset=utf-8",
    b"crl": "application/pkix-crl",
    b"css": "text/css; charset=utf-8",
    b"csv": "text/csv; charset=utf-8",
    b"deb": "application/vnd.debian.binary-package",
    b"der": "application/pkix-cert",
    b"gif": "image/gif",
    b"gz": "application/gzip",
    b"htm": "text/html; charset=utf-8",
    b"html": "text/html; charset=utf-8",
    b"ico": "image/vnd.microsoft.icon",
    b"ini": "text/plain; charset=utf-8",
    b"iso": UNKNOWN,
    b"jar": "application/java-archive",
    b"jpeg": "image/jpeg",
    b"jpg": "image/jpeg",
    b"js": "text/javascript; charset=utf-8",
    b"json": "application/json",
    b"log": "text/plain; charset=utf-8",
    b"md": "text/markdown; charset=utf-8",
    b"md5": "text/plain; charset=utf-8",
    b"meta4": "application/metalink4+xml",
    b"mp4": "video/mp4",
    b"ova": UNKNOWN,
    b"ovf": "application/xml",
    b"p7b": "application/pkcs7-mime",
    b"pdf": "application/pdf",
    b"pem": "application/x-pem-file",
    b"png": "image/png",
    b"rpm": "application/x-rpm",
    b"sha256": "text/plain; charset=utf-8",
    b"sha512": "text/plain; charset=utf-8",
    b"svg": "image/svg+xml",
    b"tar": "application/x-tar",
    b"tgz": "application/gzip",
    b"txt": "text/plain; charset=utf-8",
    b"wasm": "application/wasm",
    b"webp": "image/webp",
    b"whl": "application/zip",
    b"woff2": "font/woff2",
    b"xml": "application/xml",
    b"xz": "application/x-xz",
    b"yaml": "application/yaml",
    b"yml": "application/yaml",
    b"zip": "application/zip",
    b"zst": "application/zstd",
}


def media_type(name: bytes) -> str:
    """Give the media type for a file name; `application/octet-stream` when not known."""
    _, dot, suffix = name.rpartition(b".")
    return _TYPES.get(suffix.lower(), UNKNOWN) if dot else UNKNOWN
