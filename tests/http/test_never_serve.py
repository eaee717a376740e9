"""Names that are neither served nor listed: by any spelling, method, link or listing."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote

import harness
import pytest
import serving

from depotserve.config import DEFAULT_NEVER_SERVE
from depotserve.never_serve import compile_patterns

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SECRET = b"NEVER-SERVED"
HIDDEN = [
    *(".git/config", ".ssh/id_ed25519", ".env", ".netrc", ".hg/store", "CVS/Entries"),
    *(".passwd", ".old-passwords.txt", ".my-secret", "d/.env", "d/.git/HEAD"),
    *(".DS_Store", "._x", "Thumbs.db", "desktop.ini", "lost+found/x", "d/@eaDir/x"),
    *("$RECYCLE.BIN/x", "System Volume Information/x"),
]
SHOWN = [
    *(".hidden", ".well-known/x", ".treeinfo", ".gitignore", ".envrc", "git/config", "passwords"),
    *("d/secret.txt", ".config", "Thumbs.db.txt"),
]
LINKS = {
    "innocent": ".env",
    "innocent-folder": ".git",
    "d/deep": "../.ssh/id_ed25519",
    "chain": "innocent",
}


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("never")
    make_tree(folder / "tree")
    with serving.serving(folder, serving.mount("/", folder / "tree", "anonymous")) as running:
        yield running


def make_tree(root: Path) -> None:
    for name in [*HIDDEN, *SHOWN]:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(SECRET if name in HIDDEN else name.encode())
    for name, target in LINKS.items():
        (root / name).symlink_to(target)
    # One name in two cases, where the file system has both.
    (root / ".ENV").write_bytes(SECRET)
    (root / ".Git").mkdir(exist_ok=True)


def ask(depot: harness.RunningDepot, target: str, method: str = "GET") -> harness.Answer:
    request = harness.get(target, method=method, signed_in=False)
    return harness.answer(serving.ask(depot.port, request).data)


def encoded(name: str) -> str:
    """Write every octet but the slashes as a triplet."""
    return "/".join("".join(f"%{octet:02x}" for octet in part.encode()) for part in name.split("/"))


@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS"])
@pytest.mark.parametrize("name", [*HIDDEN, ".ENV", ".Git", *LINKS, "innocent-folder/config"])
def test_a_hidden_name_is_not_found_by_any_spelling(
    depot: harness.RunningDepot, name: str, method: str
) -> None:
    spellings = [quote(name), encoded(name), f"/{quote(name)}", f"./{quote(name)}"]
    folders = [f"{quote(name)}/", quote(name.partition("/")[0]) if name[0] != "d" else "none"]
    missing = ask(depot, "/no-such-name", method)
    for spelling in [*spellings, *folders]:
        got = ask(depot, f"/{spelling}", method)
        assert got.status == 404, spelling
        assert SECRET not in got.body
        assert got.body == missing.body


@pytest.mark.parametrize("name", SHOWN)
def test_other_names_are_served(depot: harness.RunningDepot, name: str) -> None:
    assert ask(depot, f"/{quote(name)}").body == name.encode()


@pytest.mark.parametrize("accept", ["text/html", "application/json"])
@pytest.mark.parametrize("folder", ["/", "/d/"])
def test_a_hidden_name_is_in_no_listing(
    depot: harness.RunningDepot, folder: str, accept: str
) -> None:
    for sort in ("", "?by=size", "?by=date", "?filter=nv", "?filter=nn"):
        request = harness.get(f"{folder}{sort}", f"Accept: {accept}", signed_in=False)
        got = harness.answer(serving.ask(depot.port, request).data)
        assert got.status == 200
        listed = got.body.lower().replace(b".envrc", b"").replace(b".gitignore", b"")
        for name in (b".env", b".git", b".ssh", b"innocent", b"deep", b"recycle", b"eadir"):
            assert name not in listed


def test_settings_may_name_other_patterns(tmp_path: Path) -> None:
    make_tree(tmp_path / "tree")
    mount = serving.mount("/", tmp_path / "tree", "anonymous")
    with serving.serving(tmp_path, mount, never_serve=["*.txt", "[dD]"]) as depot:
        assert ask(depot, "/Thumbs.db.txt").status == 404
        assert ask(depot, "/d/secret.txt").status == 404
        assert ask(depot, "/d/").status == 404
        assert ask(depot, "/.env").body == SECRET


# The patterns by themselves.


@pytest.mark.parametrize(
    "name",
    [
        *(b".git", b".GIT", b".passwd", b".My-PASSWORDS", b".a.secret", b"$recycle.bin", b"._x"),
        *(b".passw\xff", b".nfs0001", b".Trash-1000"),
    ],
)
def test_a_name_is_matched_in_any_case_and_encoding(name: bytes) -> None:
    assert compile_patterns(DEFAULT_NEVER_SERVE)(name)


@pytest.mark.parametrize("name", [b"git", b".gitmodules", b"passwd", b"secret", b".x", b"a._b"])
def test_a_pattern_covers_the_whole_name(name: bytes) -> None:
    assert not compile_patterns(DEFAULT_NEVER_SERVE)(name)


def test_no_pattern_hides_nothing() -> None:
    hides = compile_patterns(())
    assert not any(hides(name) for name in (b"", b".git", b"x"))


@pytest.mark.parametrize(
    ("pattern", "hidden", "shown"),
    [
        ("a?c", b"abc", b"abbc"),
        ("[ab]*", b"b1", b"c1"),
        ("[!a]x", b"bx", b"ax"),
        ("a.c", b"a.c", b"abc"),
        ("*a*b*c*d*", b"1a2b3c4d5", b"a" * 50),
        ("caf\u00e9", "CAF\u00c9".encode(), b"cafe"),
    ],
)
def test_patterns_are_shell_wildcards(pattern: str, hidden: bytes, shown: bytes) -> None:
    hides = compile_patterns((pattern,))
    assert (hides(hidden), hides(shown)) == (True, False)


def test_a_name_with_a_line_end_is_matched_to_its_end() -> None:
    hides = compile_patterns((".env", "*.key"))
    assert not hides(b".env\n")
    assert hides(b"a\nb.key")
