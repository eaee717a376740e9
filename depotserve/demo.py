"""A sample depot from invented data: a desalination plant's gateways, controllers and hosts."""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import io
import os
import shutil
import socket
import tarfile
from typing import TYPE_CHECKING

import attrs

from depotserve import accounts
from depotserve.errors import CallerError, SurroundingsError
from depotserve.home import Home, locked, write_file
from depotserve.setup import Plan, set_up

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["HOSTS", "USER", "Demo", "build"]

HOSTS = ("localhost", "127.0.0.1")
USER = "intake"
USUAL_PORT = 8443
SAMPLE = "gateway/firmware/4.2.1/gateway-4.2.1.img"
_MARK = ".depotserve-demo"  # what shows that the folder is ours to remake
_KIB = 1024
_MODIFIED = 1704067200  # 2024-01-01, so that a tree that is made again keeps its times

# Made-up firmware and images: the path, and how many bytes of noise it holds.
_IMAGES = {
    "gateway/firmware/4.2.0/gateway-4.2.0.img": 1536 * _KIB,
    SAMPLE: 1600 * _KIB,
    "hosts/images/control-host-12.3.img": 2048 * _KIB,
    "hosts/images/historian-12.3.img": 1024 * _KIB,
}
# Made-up controller packages: the path, and the files in it.
_PACKAGES = {
    "controllers/packages/dosing-controller-2.8.tar.gz": ("logic.bin", "parameters.csv"),
    "controllers/packages/intake-pump-controller-2.8.tar.gz": ("logic.bin", "parameters.csv"),
    "controllers/packages/membrane-controller-3.1.tar.gz": ("logic.bin", "parameters.csv"),
}
_README = """\
Software for the control network of an invented desalination plant.
Everything in this folder is made-up data; SHA256SUMS lists it.
"""


@attrs.frozen
class Demo:
    """A sample depot that is ready to be served."""

    home: Home
    content: Path
    curl_settings: Path  # what `curl --config` takes: user and passphrase, 0600
    passphrase: str = attrs.field(repr=False)
    port: int
    remade: bool  # an earlier demo in the same folder was replaced

    @property
    def url(self) -> str:
        """Give the address of the depot."""
        return f"https://localhost:{self.port}/"

    @property
    def sample(self) -> tuple[str, str]:
        """Give the address and the SHA-256 of a file to try."""
        content = (self.content / SAMPLE).read_bytes()
        return self.url + SAMPLE, hashlib.sha256(content).hexdigest()


def build(folder: Path, *, port: int | None) -> Demo:
    """Make the sample depot in `folder`, which is absolute; an earlier one there is replaced.

    `port` is the one to listen on; None takes 8443, or any free one where that is taken. Raises
    CallerError for a folder that holds anything else, or a demo that is being served.
    """
    remade = _clear(folder)
    try:
        os.makedirs(folder, exist_ok=True)
        write_file(
            folder / _MARK, b"Made by depotserve demo, which may replace it all.\n", mode=0o644
        )
        content = folder / "content"
        _write_content(content)
    except OSError as error:
        raise SurroundingsError(error.strerror or "", where=str(folder)) from error
    passphrase = accounts.passphrase.generate()
    chosen = _choose_port() if port is None else port
    home = set_up(Plan(folder / "home", content, HOSTS, USER, passphrase, chosen))
    curl_settings = folder / "curl.conf"
    write_file(curl_settings, f'user = "{USER}:{passphrase}"\n'.encode(), mode=0o600)
    return Demo(home, content, curl_settings, passphrase, chosen, remade)


def _clear(folder: Path) -> bool:
    """Remove an earlier demo; tell whether there was one."""
    if not folder.exists() or not os.listdir(folder):
        return False
    if not (folder / _MARK).is_file():
        allowed = "give an empty or new folder as --dir"
        raise CallerError("is no demo, and is not empty", where=str(folder), allowed=allowed)
    _require_at_rest(Home(folder / "home"))
    for name in ("home", "content"):
        shutil.rmtree(folder / name, ignore_errors=True)
    return True


def _require_at_rest(home: Home) -> None:
    if not home.state.is_dir():
        return
    try:
        with locked(home.lock("serve"), wait=0):
            return
    except SurroundingsError as error:
        raise CallerError(
            "is being served", where=str(home.root), allowed="stop that demo first"
        ) from error


def _choose_port() -> int:
    for port in (USUAL_PORT, 0):
        with contextlib.suppress(OSError), socket.socket() as trial:
            # As the depot's own sockets do, so that one lately closed counts as free.
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(("127.0.0.1", port))
            return int(trial.getsockname()[1])
    raise SurroundingsError("no port is free on 127.0.0.1")


def _write_content(root: Path) -> None:
    files = {path: _noise(path, size) for path, size in _IMAGES.items()}
    files.update({path: _package(path, names) for path, names in _PACKAGES.items()})
    files["README.txt"] = _README.encode()
    files["SHA256SUMS"] = _sums(files)
    for path, content in files.items():
        target = root / path
        os.makedirs(target.parent, exist_ok=True)
        target.write_bytes(content)
        os.utime(target, (_MODIFIED, _MODIFIED))


def _noise(name: str, size: int) -> bytes:
    """Give bytes that do not compress and are the same in every demo."""
    return hashlib.shake_256(name.encode()).digest(size)


def _package(path: str, names: tuple[str, ...]) -> bytes:
    """Give a gzip-compressed tar archive of small made-up files."""
    packed = io.BytesIO()
    zipped = gzip.GzipFile(fileobj=packed, mode="wb", mtime=_MODIFIED)
    with zipped, tarfile.open(fileobj=zipped, mode="w") as archive:
        for name in names:
            _add(archive, name, _noise(f"{path}/{name}", 48 * _KIB))
    return packed.getvalue()


def _add(archive: tarfile.TarFile, name: str, content: bytes) -> None:
    member = tarfile.TarInfo(name)
    member.size, member.mtime = len(content), _MODIFIED
    archive.addfile(member, io.BytesIO(content))


def _sums(files: dict[str, bytes]) -> bytes:
    """Write a checksum list that `sha256sum -c` takes."""
    lines = (f"{hashlib.sha256(files[path]).hexdigest()}  {path}\n" for path in sorted(files))
    return "".join(lines).encode()
