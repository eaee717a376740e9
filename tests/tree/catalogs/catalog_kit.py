"""Small trees of a desalination plant's software, each with a catalog of a shape of its own."""

from __future__ import annotations

import base64
import hashlib
import json
from typing import TYPE_CHECKING, Any, Callable

import attrs

if TYPE_CHECKING:
    from pathlib import Path

FILES = {
    "gateway/firmware/gw-7.2.bin": b"gateway firmware\n" * 40,
    "gateway/notes/release notes.txt": b"valves close in order\n",
    "panel/hmi/panel-3.1.tar.gz": bytes(range(256)) * 9,
    "panel/hmi/fonts.zip": b"PK\5\6" + bytes(18),
    "controller/rom/brine.img": b"\xa5\x5a" * 777,
    "controller/README": b"read me first\n",
}


@attrs.frozen
class Shape:
    """A catalog's shape: where it lies, how it is made, and the rules it needs, if any."""

    name: str
    path: str  # of the catalog, in the tree
    make: Callable[[], bytes]
    rules: str = ""

    def write(self, root: Path) -> None:
        """Write the files and their catalog into a folder, which is made."""
        for path, content in {**FILES, self.path: self.make()}.items():
            target = root / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)


def hexed(content: bytes, algorithm: str = "sha256") -> str:
    return hashlib.new(algorithm, content).hexdigest()


def in_base64(content: bytes, algorithm: str = "sha256") -> str:
    return base64.b64encode(hashlib.new(algorithm, content).digest()).decode()


def as_json(document: Any) -> bytes:
    return json.dumps(document, indent=1).encode()


def _folders() -> dict[str, list[tuple[str, bytes]]]:
    found: dict[str, list[tuple[str, bytes]]] = {}
    for path, content in FILES.items():
        folder, _, name = path.rpartition("/")
        found.setdefault(folder, []).append((name, content))
    return found


def _nested() -> bytes:
    """Nest JSON: products, their bundles, their files; one digest, named by its key."""
    bundles: dict[str, dict[str, Any]] = {}
    for path, content in FILES.items():
        product, _, _ = path.partition("/")
        files = bundles.setdefault(product, {"title": product.title(), "files": []})["files"]
        files.append({"relativePath": path, "fileSize": len(content), "sha256Sum": hexed(content)})
    return as_json({"vendor": "pumps", "products": [{"bundles": list(bundles.values())}]})


def _sizes_as_text() -> bytes:
    """Write XML in which attributes are all there is, and lines are a listing's."""
    rows = "".join(
        f'  <file name="{path}" size="{len(content)}" md5="{hexed(content, "md5")}" />\n'
        for path, content in FILES.items()
    )
    return f'<?xml version="1.0"?>\n<release version="7.2">\n{rows}</release>\n'.encode()


def _in_base64() -> bytes:
    """Write JSON whose digests are base64, their kind said once for all."""
    items = [
        {"file_name": path, "length": str(len(content)), "hash": in_base64(content, "sha512")}
        for path, content in FILES.items()
    ]
    return as_json({"hash_algorithm": "SHA-512", "items": items})


def _split() -> bytes:
    """Write XML with a folder and a name apart, in elements, in a namespace."""
    rows = "".join(
        f"<artifact><folder>{folder}/</folder><fileName>{name}</fileName>"
        f"<size>{len(content)}</size>"
        f'<checksum type="sha1">{hexed(content, "sha1")}</checksum></artifact>'
        for folder, files in _folders().items()
        for name, content in files
    )
    return f'<catalog xmlns="urn:example:plant"><artifacts>{rows}</artifacts></catalog>'.encode()


def _several() -> bytes:
    """Write JSON with several digests for each file, as a list of kinds and values."""
    return as_json(
        [
            {
                "path": path,
                "bytes": len(content),
                "checksums": [
                    {"algorithm": "MD5", "value": hexed(content, "md5")},
                    {"algorithm": "SHA-256", "value": hexed(content).upper()},
                    {"algorithm": "SHA3-256", "value": hexed(content, "sha3_256")},
                ],
            }
            for path, content in FILES.items()
        ]
    )


def _relative_addresses() -> bytes:
    """Write XML whose addresses are relative to it; it lies beside the folders, not above."""
    rows = "".join(
        f'<package id="{number}"><location href="../{path.replace(" ", "%20")}"/>'
        f'<size>{len(content)}</size><digests><digest algorithm="sha256">{hexed(content)}'
        f'</digest><digest algorithm="sha384">{hexed(content, "sha384")}</digest></digests>'
        "</package>"
        for number, (path, content) in enumerate(FILES.items())
    )
    return f"<index><package-list>{rows}</package-list></index>".encode()


def _own_words() -> bytes:
    """Write JSON in words that no table has."""
    loads = [
        {"artifact": path, "octet-total": len(content), "fingerprint": hexed(content)}
        for path, content in FILES.items()
    ]
    return as_json({"shipment": {"loads": loads}})


def _two_sizes() -> bytes:
    """Write XML in which two keys may be the size, and the folder stands around the files."""
    rows = "".join(
        f'<shelf label="{folder}">'
        + "".join(
            f'<item file="{name}"><size>{9 * len(content)}</size>'
            f"<packedSize>{len(content)}</packedSize>"
            f"<sum><kind>sha256</kind><is>{hexed(content)}</is></sum></item>"
            for name, content in files
        )
        + "</shelf>"
        for folder, files in _folders().items()
    )
    return f"<warehouse>{rows}</warehouse>".encode()


_OWN_WORDS = """\
format: 1
catalogs:
  - match: shipment.json
    entries: shipment/loads
    path: artifact
    size: octet-total
    digests:
      sha256: fingerprint
    base: root
"""

_TWO_SIZES = """\
format: 1
catalogs:
  - match: stock/*.xml
    entries: warehouse/shelf/item
    path: [../label, file]
    size: packedSize
    algorithm: sum/kind
    digest: sum/is
    base: root
"""


def shapes() -> list[Shape]:
    """Give six shapes that are read without rules."""
    return [
        Shape("nested", "catalog.json", _nested),
        Shape("sizes as text", "release.xml", _sizes_as_text),
        Shape("digests in base64", "index/items.json", _in_base64),
        Shape("folder and name", "meta/artifacts.xml", _split),
        Shape("several digests", "listing.json", _several),
        Shape("relative addresses", "index/packages.xml", _relative_addresses),
    ]


def shapes_with_rules() -> list[Shape]:
    """Give two shapes that must not be guessed, with the rules that read them."""
    return [
        Shape("own words", "shipment.json", _own_words, _OWN_WORDS),
        Shape("two sizes", "stock/items.xml", _two_sizes, _TWO_SIZES),
    ]
