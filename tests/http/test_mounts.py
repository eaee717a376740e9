"""Several trees in one depot: prefixes, readers, folders that exist by address only."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING

import harness
import pytest
import serving

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

# bcrypt of "s3cret" at cost 4, from the shared conventions.
HASH = harness.USERS_LINE.strip().partition(":")[2]
READERS = {
    "/vendor/gateway/": ["ann"],
    "/vendor/controller/": ["bob", "eve"],
    "/vendor/gateway/old/": "any",
    "/public/": "anonymous",
    "/images/": "any",
}


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("mounts")
    mounts = [
        serving.mount(url, make_tree(folder / str(number), url), readers)
        for number, (url, readers) in enumerate(READERS.items())
    ]
    # What a mount further down stands before.
    shadowed = folder / "0" / "old"
    shadowed.mkdir()
    (shadowed / "hidden-by-a-mount").write_bytes(b"hidden")
    users = "".join(f"{name}:{HASH}\n" for name in ("ann", "bob", "eve", "zoe"))
    with serving.serving(folder, *mounts, users=users) as running:
        yield running


def make_tree(root: Path, url: str) -> Path:
    (root / "d").mkdir(parents=True)
    (root / "file").write_bytes(url.encode())
    (root / "d" / "inner").write_bytes(url.encode())
    return root


def ask(
    depot: harness.RunningDepot, target: str, user: str = "", *fields: str, method: str = "GET"
) -> harness.Answer:
    value = base64.b64encode(f"{user}:s3cret".encode()).decode()
    lines = [f"Authorization: Basic {value}"] if user else []
    request = harness.get(target, *lines, *fields, method=method, signed_in=False)
    return harness.answer(serving.ask(depot.port, request).data)


def names_in(depot: harness.RunningDepot, target: str, user: str = "") -> list[str]:
    got = ask(depot, target, user, "Accept: application/json")
    assert got.status == 200, target
    body = b""
    rest = got.body
    while rest:
        size, _, rest = rest.partition(b"\r\n")
        body, rest = body + rest[: int(size, 16)], rest[int(size, 16) + 2 :]
    return sorted(entry["name"] for entry in json.loads(body)["entries"])


MAY = {
    "/vendor/gateway/": {"ann"},
    "/vendor/controller/": {"bob", "eve"},
    "/vendor/gateway/old/": {"ann", "bob", "eve", "zoe"},
    "/public/": {"", "ann", "bob", "eve", "zoe"},
    "/images/": {"ann", "bob", "eve", "zoe"},
}


@pytest.mark.parametrize("user", ["", "ann", "bob", "eve", "zoe"])
@pytest.mark.parametrize("url", READERS)
@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS"])
def test_a_mount_opens_to_its_readers_only(
    depot: harness.RunningDepot, url: str, user: str, method: str
) -> None:
    for path, status in (("file", 200), ("d/inner", 200), ("d", 301), ("", 200), ("none", 404)):
        got = ask(depot, url + path, user, method=method)
        if user not in MAY[url]:
            assert got.status == (403 if user else 401)
            assert url.encode() not in got.body
        elif method == "OPTIONS":
            assert got.status == (404 if status == 404 else 204)
        else:
            assert got.status == status
            if status == 200 and path and method == "GET":
                assert got.body == url.encode()


def test_a_wrong_passphrase_is_no_way_into_an_anonymous_mount_only(
    depot: harness.RunningDepot,
) -> None:
    wrong = "Authorization: Basic YW5uOndyb25n"
    for target, status in (("/public/file", 200), ("/images/file", 401)):
        request = harness.get(target, wrong, signed_in=False)
        assert harness.answer(serving.ask(depot.port, request).data).status == status


@pytest.mark.parametrize(
    ("target", "user", "names"),
    [
        ("/", "ann", ["images", "public", "vendor"]),
        ("/", "zoe", ["images", "public", "vendor"]),
        ("/vendor/", "ann", ["gateway"]),
        ("/vendor/", "bob", ["controller", "gateway"]),
        ("/vendor/", "zoe", ["gateway"]),
        ("/vendor/gateway/", "ann", ["d", "file", "old"]),
    ],
)
def test_a_folder_that_leads_to_mounts_lists_what_its_reader_may_see(
    depot: harness.RunningDepot, target: str, user: str, names: list[str]
) -> None:
    assert names_in(depot, target, user) == names


def test_a_folder_by_address_only_needs_a_user_and_its_slash(depot: harness.RunningDepot) -> None:
    assert ask(depot, "/").status == 401
    assert ask(depot, "/vendor/").status == 401
    got = ask(depot, "/vendor?by=size", "bob")
    assert (got.status, got.get("location")) == (301, "/vendor/?by=size")
    assert ask(depot, "/vendor/", "bob", method="HEAD").status == 200
    assert ask(depot, "/vendor/", "bob", method="OPTIONS").status == 204


@pytest.mark.parametrize("target", ["/vend", "/vendor/none", "/file", "/vendor/gatewayx/file"])
def test_an_address_beside_every_mount_is_not_found(
    depot: harness.RunningDepot, target: str
) -> None:
    assert ask(depot, target, "ann").status == 404
    assert ask(depot, target).status == 401


def test_a_mount_stands_before_the_folder_that_it_lies_on(depot: harness.RunningDepot) -> None:
    assert ask(depot, "/vendor/gateway/old/hidden-by-a-mount", "ann").status == 404
    assert names_in(depot, "/vendor/gateway/old/", "ann") == ["d", "file"]


@pytest.mark.parametrize("prefix", ["/vendor//gateway", "//vendor/gateway", "/vendor/%67ateway"])
def test_a_prefix_counts_in_every_spelling(depot: harness.RunningDepot, prefix: str) -> None:
    assert ask(depot, f"{prefix}/file", "bob").status == 403
    assert ask(depot, f"{prefix}/file", "ann").body == b"/vendor/gateway/"
    assert ask(depot, f"{prefix}/old/file", "bob").body == b"/vendor/gateway/old/"


def test_a_depot_that_is_all_anonymous_never_challenges(tmp_path: Path) -> None:
    trees = [make_tree(tmp_path / name, name) for name in ("a", "b")]
    mounts = [serving.mount(f"/{tree.name}/", tree, "anonymous") for tree in trees]
    with serving.serving(tmp_path, *mounts) as depot:
        assert names_in(depot, "/") == ["a", "b"]
        assert ask(depot, "/a/file").get("cache-control") == "no-cache"
        assert ask(depot, "/none").status == 404


def test_what_needs_a_reader_is_kept_by_no_shared_cache(depot: harness.RunningDepot) -> None:
    # RFC 9111 sections 5.2.2.5 and 5.2.2.7.
    assert ask(depot, "/images/file", "ann").get("cache-control") == "private, no-cache"
    for target in ("/images/", "/", "/images"):
        assert ask(depot, target, "ann").get("cache-control") == "no-store"
    for target in ("/public/", "/public/file"):
        assert ask(depot, target).get("cache-control") == "no-cache"
