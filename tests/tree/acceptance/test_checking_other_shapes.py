"""Lists and catalogs in further shapes that vendors write: clean is clean, a fault is that fault.

The plain forms have `test_checking_real_trees` and `test_checking_catalogs`. Here are what other
systems and build machines make of them, as their own manuals have it.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import os
import subprocess
from typing import TYPE_CHECKING, Any, Callable

import attrs
import harness
import pytest
from check_kit import check

if TYPE_CHECKING:
    from pathlib import Path

    from check_kit import Checked

FILES = {
    "fw/pump.bin": b"p" * 1000,
    "fw/valve.bin": b"v" * 2001,
    "docs/read me.txt": b"valves close in order",
    "img/panel.bin": b"i" * 3000,
}
ONE = "fw/valve.bin"


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def lines(form: str) -> bytes:
    return "".join(form.format(d=sha256(b), p=p) for p, b in FILES.items()).encode()


def entries(**more: Callable[[str, bytes], Any]) -> list[dict[str, Any]]:
    """Give an object for each file: its size and digest, and `more` of its path and content."""
    return [
        {"size": len(b), "sha256": sha256(b), **{key: of(p, b) for key, of in more.items()}}
        for p, b in FILES.items()
    ]


def document(value: Any) -> bytes:
    return json.dumps(value).encode()


def folders(word: str, **more: str) -> bytes:
    """Give files within the object of their folder, in a list under `word`."""
    names = sorted({path.partition("/")[0] for path in FILES})
    return document(
        {
            word: [
                {
                    "name": name,
                    "files": [
                        {"name": p.partition("/")[2], "size": len(b), "sha256": sha256(b)}
                        for p, b in FILES.items()
                        if p.startswith(f"{name}/")
                    ],
                    **more,
                }
                for name in names
            ]
        }
    )


@attrs.frozen
class Shape:
    """A list of `FILES`: its path, its content, and whether it states sizes."""

    path: str
    content: bytes
    sizes: bool = True


def address(path: str, _content: bytes) -> str:
    return "https://dl.vendor.example/releases/4.2/" + path.replace(" ", "%20")


SHAPES = {
    # A list made where `\` parts names.
    "backslashes": Shape("SHA256SUMS", lines("{d} *{p}\r\n").replace(b"/", b"\\"), sizes=False),
    "backslashes after a dot": Shape(
        "SHA256SUMS", lines("{d} *./{p}\r\n").replace(b"/", b"\\"), sizes=False
    ),
    "percent signs": Shape(
        "SHA256SUMS", lines("{d}  {p}\n").replace(b"d m", b"d%20m"), sizes=False
    ),
    "semicolons": Shape("SHA256SUMS", b"; made at the intake\n" + lines("{d}  {p}\n"), sizes=False),
    # coreutils 9.5 manual, "cksum invocation": --base64.
    "base64 behind a tag": Shape(
        "CHECKSUM",
        "".join(
            f"SHA256 ({p}) = {base64.b64encode(hashlib.sha256(b).digest()).decode()}\n"
            for p, b in FILES.items()
        ).encode(),
        sizes=False,
    ),
    **{
        name: Shape(name, lines("{d}  {p}\n"), sizes=False)
        for name in ("SHASUMS256.txt", "shasums", "hashsum.txt", "checksums.lst", "pump.sum")
    },
    "json lines": Shape(
        "files.jsonl", b"".join(document(one) + b"\n" for one in entries(path=lambda p, _: p))
    ),
    "packed json": Shape(
        "files.json.gz", gzip.compress(document({"files": entries(path=lambda p, _: p)}))
    ),
    "addresses": Shape("files.json", document({"files": entries(url=address)})),
    "addresses in a folder": Shape("meta/files.json", document({"files": entries(url=address)})),
    "sizes with commas": Shape(
        "files.json", document(entries(path=lambda p, _: p, size=lambda _, b: f"{len(b):,}"))
    ),
    "sizes with units": Shape(
        "files.json", document(entries(path=lambda p, _: p, size=lambda _, b: f"{len(b)} bytes"))
    ),
    "folders that end in a slash": Shape(
        "files.json",
        document(
            entries(
                path=lambda p, _: f"/{p.rpartition('/')[0]}/",
                name=lambda p, _: p.rpartition("/")[2],
            )
        ),
    ),
    "folders": Shape("files.json", folders("folders")),
    "directories": Shape("files.json", folders("directories")),
    "children": Shape("files.json", folders("children", type="dir")),
    "rows": Shape(
        "files.json",
        document(
            {
                "columns": ["path", "size", "sha256"],
                "rows": [[p, len(b), sha256(b)] for p, b in FILES.items()],
            }
        ),
    ),
    "rows below their names": Shape(
        "files.json",
        document(
            [["File", "Size", "SHA-256"], *([p, len(b), sha256(b)] for p, b in FILES.items())]
        ),
    ),
}


@pytest.fixture(params=SHAPES)
def shape(request: pytest.FixtureRequest, tmp_path: Path) -> Shape:
    one = SHAPES[request.param]
    lay(tmp_path / "tree", {**FILES, one.path: one.content})
    return one


def lay(root: Path, files: dict[str, bytes]) -> None:
    for path, content in files.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(content)


def checked(tmp_path: Path) -> Checked:
    return check(tmp_path / "tree", tmp_path / "state")


def test_a_name_is_as_it_is_written_if_there_is_such_a_file(tmp_path: Path) -> None:
    files = {"a%20b.bin": b"1", "c\\d.bin": b"2", "e.bin": b"3"}
    text = "".join(f"{sha256(content)}  {path}\n" for path, content in files.items())
    lay(tmp_path / "tree", {**files, "SHA256SUMS": text.encode(), "a b.bin": b"4"})
    (tmp_path / "tree" / "e.bin").unlink()
    odd = ("name that media cannot hold", "c\\d.bin")
    assert checked(tmp_path).faults == {("missing", "e.bin"), odd}


@pytest.mark.slow
def test_each_fault_of_a_tree_is_that_finding_and_no_other(shape: Shape, tmp_path: Path) -> None:
    assert (checked(tmp_path).status, checked(tmp_path).faults) == (0, set())
    one = tmp_path / "tree" / ONE
    whole = one.read_bytes()
    one.write_bytes(b"V" + whole[1:])
    assert checked(tmp_path).faults == {("digest differs", ONE)}
    one.write_bytes(whole[:-1])
    kind = "size differs" if shape.sizes else "digest differs"
    assert checked(tmp_path).faults == {(kind, ONE)}
    one.unlink()
    found = checked(tmp_path)
    assert (found.status, found.faults) == (1, {("missing", ONE)})
    assert [wanted["path"] for wanted in found.document["to_do"]] == [ONE]


def test_rows_without_names_are_refused_to_be_guessed(tmp_path: Path) -> None:
    rows = [[path, len(content), sha256(content)] for path, content in FILES.items()]
    lay(tmp_path / "tree", {**FILES, "files.json": document(rows)})
    found = checked(tmp_path)
    assert found.faults == {("list cannot be used", "files.json")}
    assert "nothing names their columns" in found.details("list cannot be used")["files.json"]


SIDECARS = (
    "{d}\n",
    "{d}  x.img\n",
    "{d}  d/x.img\n",
    "{d}  ./x.img\n",
    "{d}  build/out/x.img\n",
    "{d} */builds/4711/x.img\n",
    "sha256:{d}\n",
    "SHA2-256(stdin)= {d}\n",  # openssl-dgst(1), of its standard input
    "(stdin)= {d}\n",
)


@pytest.mark.parametrize("form", SIDECARS)
def test_a_list_named_for_a_file_means_the_one_beside_it(form: str, tmp_path: Path) -> None:
    content = b"panel" * 100
    sidecar = form.format(d=sha256(content)).encode()
    lay(tmp_path / "tree", {"d/x.img": content, "d/x.img.sha256": sidecar})
    found = checked(tmp_path)
    assert (found.status, found.faults) == (0, set())
    assert found.marks()["d/x.img"] == "self-consistent only"
    # One of the same name elsewhere is another one, be it the same.
    lay(tmp_path / "tree", {"x.img": content})
    (tmp_path / "tree" / "d" / "x.img").unlink()
    assert checked(tmp_path).faults == {("missing", "d/x.img")}


def test_a_list_named_for_a_file_may_name_others_of_that_name_too(tmp_path: Path) -> None:
    one, other = b"one", b"other"
    text = f"{sha256(one)}  x.img\n{sha256(other)}  variants/x.img\n"
    lay(tmp_path / "tree", {"x.img": one, "variants/x.img": other, "x.img.sha256": text.encode()})
    found = checked(tmp_path)
    assert (found.status, found.faults) == (0, set())
    assert found.marks()["variants/x.img"] == "self-consistent only"


def test_a_list_named_for_a_file_may_name_one_below_its_folder(tmp_path: Path) -> None:
    text = f"{sha256(b'one')}  bin/x.img\n".encode()
    lay(tmp_path / "tree", {"fw/bin/x.img": b"one", "fw/x.img.sha256": text})
    assert (checked(tmp_path).status, checked(tmp_path).faults) == (0, set())


def test_bare_names_are_found_in_whichever_folders_they_lie(tmp_path: Path) -> None:
    files = {**{f"fw/{number}.bin": b"%d" % number for number in range(5)}, "img/panel.bin": b"i"}
    named = [{"filename": p.rpartition("/")[2], "sha256": sha256(b)} for p, b in files.items()]
    lay(tmp_path / "tree", {**files, "meta/files.json": document(named)})
    assert (checked(tmp_path).status, checked(tmp_path).faults) == (0, set())
    (tmp_path / "tree" / "fw" / "3.bin").unlink()
    assert checked(tmp_path).faults == {("missing", "fw/3.bin")}


def test_of_files_with_one_name_each_is_found_by_its_address(tmp_path: Path) -> None:
    files = {f"{folder}/boot.bin": folder.encode() * 9 for folder in ("a", "b", "c")}
    named = [
        {"url": f"https://dl.vendor.example/4.2/{p}", "sha256": sha256(b)}
        for p, b in (*files.items(), ("readme.txt", b"r"))
    ]
    lay(tmp_path / "tree", {**files, "readme.txt": b"r", "files.json": document(named)})
    assert (checked(tmp_path).status, checked(tmp_path).faults) == (0, set())
    (tmp_path / "tree" / "a" / "boot.bin").unlink()
    (tmp_path / "tree" / "b" / "boot.bin").unlink()
    assert checked(tmp_path).faults == {("missing", "a/boot.bin"), ("missing", "b/boot.bin")}


def test_an_only_file_that_is_cut_short_makes_its_catalog_no_other_tree_s(tmp_path: Path) -> None:
    good = {"a.txt": b"a", "SHA256SUMS": f"{sha256(b'a')}  a.txt\n".encode()}
    entry = {"path": "fw/x.img", "size": 500, "sha256": sha256(b"x" * 500)}
    catalog = document({"files": [entry]})
    lay(tmp_path / "tree", {**good, "fw/x.img": b"x" * 300, "release.json": catalog})
    assert checked(tmp_path).faults == {("size differs", "fw/x.img")}


def test_many_sizes_of_files_that_are_here_and_none_in_bytes_are_one_fault(tmp_path: Path) -> None:
    files = {f"fw/{number}.img": b"x" * 1024 * (number + 2) for number in range(9)}
    named = [{"path": p, "size": len(b) // 1024, "sha256": sha256(b)} for p, b in files.items()]
    lay(tmp_path / "tree", {**files, "release.json": document(named)})
    assert checked(tmp_path).faults == {("list cannot be used", "release.json")}


def test_what_a_digest_vouches_for_is_whole_whatever_it_is_called(tmp_path: Path) -> None:
    listed = {"disk.part": b"1", "x.iso": b"2"}
    text = "".join(f"{sha256(content)}  {path}\n" for path, content in listed.items())
    left = {"x.iso.aria2": b"", "SHA256SUMS": text.encode()}
    lay(tmp_path / "tree", {**listed, **left})
    assert checked(tmp_path).faults == {("unfinished", "x.iso.aria2")}
    lay(tmp_path / "tree", {"disk.part": b"?"})
    assert ("digest differs", "disk.part") in checked(tmp_path).faults


def test_a_disc_of_which_space_was_set_aside_and_not_filled_is_unfinished(tmp_path: Path) -> None:
    harness.need("genisoimage")
    good = {"a.txt": b"a", "SHA256SUMS": f"{sha256(b'a')}  a.txt\n".encode()}
    lay(tmp_path / "tree", good)
    lay(tmp_path / "disc", {"panel.bin": os.urandom(3 << 20), "brine.bin": os.urandom(3 << 20)})
    image = tmp_path / "tree" / "x.iso"
    subprocess.run(["genisoimage", "-quiet", "-o", image, tmp_path / "disc"], check=True)
    assert (checked(tmp_path).status, checked(tmp_path).faults) == (0, set())
    size = image.stat().st_size
    os.truncate(image, size // 2)
    os.truncate(image, size)
    assert checked(tmp_path).faults == {("unfinished", "x.iso")}


def test_of_compressions_that_would_do_a_packed_one_is_to_be_fetched(tmp_path: Path) -> None:
    index = b"Package: intake-pump\n"
    packed = gzip.compress(index)
    text = "SHA256:\n" + "".join(
        f" {sha256(content)} {len(content)} main/binary-amd64/{name}\n"
        for name, content in (("Packages", index), ("Packages.gz", packed))
    )
    good = {"a.txt": b"a", "SHA256SUMS": f"{sha256(b'a')}  a.txt\n".encode()}
    lay(tmp_path / "tree", {**good, "dists/stable/Release": text.encode()})
    assert checked(tmp_path).faults == {("missing", "dists/stable/main/binary-amd64/Packages.gz")}
