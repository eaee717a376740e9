"""JSON and XML that lies about in vendors' software and is no catalog of the tree."""

from __future__ import annotations

import io
from typing import Any

import pytest
from catalog_kit import as_json, hexed, in_base64

from depotserve.tree.expectations.catalogs.catalog import Standing, guess, read_catalog, standing
from depotserve.tree.expectations.listed import NotAListError, Place

SOURCES = [f"./source/part{n}.c" for n in range(40)]

NO_LISTS: dict[str, Any] = {
    "nothing": {},
    "no objects": [1, "a", None, True, 1.5, [[]]],
    "not a number": b'{"files": [{"path": "a", "x": NaN}]}',
    "comments": b'// settings\n{"path": "a.bin", /* bytes */ "size": 3}',
    "an empty file": b"",
    "text": b"{ hello",
    "settings": {
        "server": {"host": "10.1.0.5", "port": 8443, "path": "/depot"},
        "log": {"file": "/var/log/brine.log", "size": 1048576, "count": 5},
        "caches": [{"path": "/var/cache/a", "size": 10}, {"path": "/var/cache/b", "size": 20}],
        "keys": {"id": "gateway", "digest": "sha256"},
    },
    "a package's own description": {
        "name": "valve-panel",
        "version": "3.1.0",
        "main": "panel.js",
        "files": ["build/", "panel.js"],
        "scripts": {"build": "make panel.js"},
        "dependencies": {"gauge.js": "^1.2.0", "dial": "~2.0"},
        "repository": {"type": "git", "url": "https://code.plant.example/panel.git"},
        "exports": {"./panel.js": {"import": "./panel.js", "default": "./panel.js"}},
    },
    "a lock of dependencies": {
        "name": "valve-panel",
        "packages": {
            "": {"name": "valve-panel", "version": "3.1.0"},
            **{
                f"modules/part{n}": {
                    "version": f"1.{n}.0",
                    "resolved": f"https://code.plant.example/part{n}-1.{n}.0.tgz",
                    "integrity": f"sha512-{in_base64(b'%d' % n, 'sha512')}",
                }
                for n in range(50)
            },
        },
        "dependencies": {
            f"part{n}": {"version": "1.0", "integrity": f"sha1-{in_base64(b'%d' % n, 'sha1')}"}
            for n in range(50)
        },
    },
    "a lock with hashes": {
        "_meta": {"hash": {"sha256": hexed(b"meta")}, "sources": [{"name": "index", "url": "x"}]},
        "default": {
            "gauge": {"hashes": [f"sha256:{hexed(b'1')}", f"sha256:{hexed(b'2')}"], "version": "1"},
            "dial": {"hashes": [f"sha256:{hexed(b'3')}"], "version": "==2"},
        },
    },
    "a map of the plant": {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "id": n,
                "geometry": {"type": "LineString", "coordinates": [[1.5, 2.5], [3.25, 4]]},
                "properties": {"name": f"intake {n}", "length": 120 + n, "location": "north"},
            }
            for n in range(5)
        ],
    },
    "a list of parts with hashes": {
        "components": [
            {
                "type": "library",
                "name": name,
                "group": "plant.example.controls",
                "version": "1.0",
                "reference": f"part:plant.example/{name}@1.0.Final",
                "hashes": [{"alg": "SHA-256", "content": hexed(name.encode())}],
                "externalReferences": [{"type": "website", "url": "https://plant.example/"}],
            }
            for name in ("brine", "valve-core", "gauge.math", "dial")
        ]
    },
    "translations": {"title": "Ventil", "size": "Größe", "file": "Datei", "length": "Länge"},
    "a schema": {
        "type": "object",
        "properties": {
            "path": {"type": "string", "maxLength": 80},
            "size": {"type": "integer"},
            "sha256": {"type": "string", "pattern": "[0-9a-f]{64}"},
        },
    },
    "icons": {"icons": [{"src": "a.png", "sizes": "48x48"}, {"src": "b.png", "sizes": "96x96"}]},
    "a test's data": [{"name": "long", "length": 12, "hash": "none"}, {"name": "short", "size": 1}],
    "modules and their revisions": [
        {"path": "parts/a.lib", "commit": hexed(b"a", "sha1")},
        {"path": "parts/b.lib", "commit": hexed(b"b", "sha1")},
    ],
    "patterns": [{"path": "src/*.c", "size": 10}, {"path": "lib/*.c", "size": 20}],
    "users": [{"name": "operator", "key": hexed(b"k"), "id": 1, "path": "/home/operator"}],
    "a picture": b"""<svg xmlns="http://www.w3.org/2000/svg" width="8" height="8" id="pump.svg">
        <image href="a.png" width="4" height="4"/><path d="M0 0h8"/><text size="3">hash</text>
        <use href="#a"/></svg>""",
    "a schema in XML": b"""<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema">
        <xs:element name="file.path" type="xs:string"/><xs:simpleType name="sha256">
        <xs:restriction base="xs:hexBinary"><xs:length value="32"/></xs:restriction>
        </xs:simpleType></xs:schema>""",
    "a project's description": b"""<project xmlns="urn:example:project"><name>panel</name>
        <groupId>example.plant</groupId><artifactId>panel.core</artifactId><version>3.1</version>
        <properties><build.file.size>10</build.file.size></properties>
        <build><fileSets><fileSet><directory>src</directory><size>3</size></fileSet></fileSets>
        </build><dependencies><dependency><artifactId>dial.x</artifactId></dependency>
        </dependencies></project>""",
    "a list of properties": b"""<plist version="1.0"><dict><key>name</key><string>a.bin</string>
        <key>size</key><integer>3</integer><key>hash</key><data>AAAA</data></dict></plist>""",
    "a document type": b"""<!DOCTYPE plist><plist><dict><key>path</key></dict></plist>""",
    "text in XML": b"<page><title>The sha256 of a file</title><p>Its size is 3 bytes</p></page>",
    "an unknown encoding": b'<?xml version="1.0" encoding="none-such"?><a path="b.bin" size="3"/>',
}


@pytest.mark.parametrize("name", NO_LISTS)
def test_what_is_no_catalog_is_no_finding(name: str) -> None:
    document = NO_LISTS[name]
    content = document if isinstance(document, bytes) else as_json(document)
    with pytest.raises(NotAListError):
        read_catalog(io.BytesIO(content), Place(b"data.json"))


# What pairs files with facts, of files that are elsewhere: the tree tells these apart.
ELSEWHERE: dict[str, Any] = {
    "the sources that a program was made of": {
        "files": [
            {
                "fileName": name,
                "checksums": [{"algorithm": "SHA256", "checksumValue": hexed(name.encode())}],
            }
            for name in SOURCES
        ]
    },
    "modules of a page": {"modules": [{"name": name, "size": len(name)} for name in SOURCES]},
    "blobs of a version control": {
        "tree": [{"path": name, "sha": hexed(name.encode(), "sha1"), "size": 3} for name in SOURCES]
    },
    "fonts": {"fonts": [{"file": "sans.ttf", "size": 12}, {"file": "serif.ttf", "size": 14}]},
}


@pytest.mark.parametrize("name", ELSEWHERE)
def test_a_list_of_files_that_are_elsewhere_is_foreign(name: str) -> None:
    found = guess(ELSEWHERE[name])
    assert found
    assert found.entries > 1
    # One of many may be here by its name, none with its size.
    assert standing(found.entries, 0) is Standing.FOREIGN
