"""What the keys of catalogs are commonly called, and how their spellings are told to be one."""

from __future__ import annotations

import functools
import re
from enum import Enum

from depotserve.tree.digests import named

__all__ = ["Role", "algorithm_of", "is_algorithm_key", "is_value_key", "role"]


class Role(Enum):
    """What a key says of a file."""

    PATH = "path"
    URL = "address"
    NAME = "name"  # perhaps of a file
    FOLDER = "folder"
    SIZE = "size"
    OTHER_SIZE = "size before or after packing"
    DIGEST = "digest"
    NONE = ""


# In one normal form: lower case, without anything between the words.
_WORDS: dict[Role, str] = {
    Role.PATH: """
        path file filename filepath pathname relativepath relpath relativefilepath relativefilename
        filerelativepath targetpath localpath packagefile packagepath filelocation storagepath
    """,
    Role.URL: """
        url uri href link src location downloadurl downloaduri downloadlink downloadlocation
        fileurl fileuri relativeurl relativeuri
    """,
    Role.NAME: "name title label id key basename packagename artifactname assetname",
    Role.FOLDER: """
        folder dir directory foldername dirname directoryname folderpath dirpath directorypath
        relativefolder relativedirectory subfolder subdir subdirectory parentfolder parentdirectory
        targetfolder targetdirectory
    """,
    Role.SIZE: """
        size length bytes octets filesize filelength sizebytes sizeinbytes bytesize bytelength
        bytecount numbytes contentlength filesizebytes filesizeinbytes downloadsize packagesize
    """,
    Role.OTHER_SIZE: "compressedsize packedsize sizecompressed sizepacked",
}
_ROLES = {word: role for role, words in _WORDS.items() for word in words.split()}
# Kinds of digests that cannot be checked here: no reason to take the file for no catalog.
_UNKNOWN_WORDS = """
    crc crc32 crc32c crc64 adler32 ripemd160 rmd160 whirlpool tiger blake3 b3 md2 md4 xxhash xxh32
    xxh64 xxh3 xxh128 gost streebog
"""
_UNKNOWN = frozenset(_UNKNOWN_WORDS.split())
_GENERIC = ("checksums", "checksum", "digests", "digest", "hashes", "hash", "integrity")
_AROUND = (*_GENERIC, "values", "value", "base64", "b64", "hex", "file", "content", "sum")
_ALGORITHMS = frozenset(("algorithm", "alg", "algo", "type", "kind", "method", "function", "name"))


@functools.lru_cache(maxsize=4096)
def _normal(key: str) -> str:
    return re.sub("[^a-z0-9]", "", key[:64].lower())


@functools.lru_cache(maxsize=4096)
def role(key: str) -> Role:
    """Tell what a key is likely to say of a file."""
    found = _ROLES.get(_normal(key))
    if found:
        return found
    return Role.NONE if algorithm_of(key) is None else Role.DIGEST


@functools.lru_cache(maxsize=4096)
def algorithm_of(key: str) -> str | None:
    """Name the kind of digest that a key speaks of, `""` where it names none; else None.

    The kind may be one that is not known.
    """
    core = _core(_normal(key))
    if not core:
        return "" if _is_of_digests(_normal(key)) else None
    found = named(core)
    if found:
        return found.name
    return core if core in _UNKNOWN else None


def _is_of_digests(word: str) -> bool:
    return any(generic in word for generic in _GENERIC)


def _core(word: str) -> str:
    """Take away what stands around the kind: `fileChecksumSha256Hex` is `sha256`."""
    while True:
        before = word
        for affix in _AROUND:
            word = word.removeprefix(affix).removesuffix(affix)
        if word == before:
            return word


def is_algorithm_key(key: str) -> bool:
    """Tell whether a key may name the kind of the digest beside it, such as `hashType`."""
    plain = _normal(key)
    return plain in _ALGORITHMS or (_is_of_digests(plain) and _core(plain) in _ALGORITHMS)


def is_value_key(key: str) -> bool:
    """Tell whether a key may hold the digest whose kind stands beside it, such as `value`."""
    return not _core(_normal(key))
