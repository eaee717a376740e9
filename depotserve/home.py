"""A home on disk: where its files lie, and how they are read, written and locked."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import re
import secrets
import stat
import time
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

from depotserve.errors import CallerError, SurroundingsError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = [
    "Home",
    "New",
    "find",
    "is_there",
    "locked",
    "read_bounded",
    "sweep",
    "sync_folder",
    "write_file",
    "write_files",
]

SETTINGS_NAME = "depot.yaml"
LOCK_SECONDS = 30.0  # a command holds a lock for as long as one bcrypt hash and one write take
_POLL_SECONDS = 0.05
_TEMPORARY = re.compile(r"\..+\.[0-9a-f]{16}\.new")  # as `write_files` names its own


@attrs.frozen
class Home:
    """The folder that holds one depot; every property is a path beneath `root`."""

    root: Path

    @property
    def settings(self) -> Path:
        """Name the settings file."""
        return self.root / SETTINGS_NAME

    @property
    def users(self) -> Path:
        """Name the users file, one `name:hash` a line."""
        return self.root / "accounts" / "users"

    @property
    def terms(self) -> Path:
        """Name the file of terms: disabled, expiry, previous passphrase."""
        return self.root / "accounts" / "terms.yaml"

    @property
    def certificate(self) -> Path:
        """Name the server's certificate, leaf first."""
        return self.root / "tls" / "server.pem"

    @property
    def key(self) -> Path:
        """Name the server's private key."""
        return self.root / "tls" / "server.key"

    @property
    def next_certificate(self) -> Path:
        """Name the certificate that is prepared to take the server's place."""
        return self.root / "tls" / "server-next.pem"

    @property
    def next_key(self) -> Path:
        """Name the prepared certificate's private key."""
        return self.root / "tls" / "server-next.key"

    @property
    def request(self) -> Path:
        """Name the request that another authority is to sign."""
        return self.root / "tls" / "request.csr"

    @property
    def request_key(self) -> Path:
        """Name the private key of that request."""
        return self.root / "tls" / "request.key"

    @property
    def anchors(self) -> Path:
        """Name the roots of a certificate that another authority issued; missing if none did."""
        return self.root / "tls" / "anchors.pem"

    @property
    def authority(self) -> Path:
        """Name the local authority's certificate, which clients are given."""
        return self.root / "tls" / "authority.pem"

    @property
    def authority_key(self) -> Path:
        """Name the local authority's private key."""
        return self.root / "tls" / "authority.key"

    @property
    def next_authority(self) -> Path:
        """Name the certificate of the authority that is to follow, which clients are given too."""
        return self.root / "tls" / "authority-next.pem"

    @property
    def next_authority_key(self) -> Path:
        """Name the private key of the authority that is to follow."""
        return self.root / "tls" / "authority-next.key"

    @property
    def old_authority(self) -> Path:
        """Name the certificate of the authority that went before, until it is retired."""
        return self.root / "tls" / "authority-old.pem"

    @property
    def clock(self) -> Path:
        """Name the file of the highest time seen."""
        return self.root / "state" / "clock"

    @property
    def state(self) -> Path:
        """Name the folder that the service may write its state into."""
        return self.root / "state"

    @property
    def log(self) -> Path:
        """Name the folder of the access log."""
        return self.root / "log"

    def lock(self, name: str) -> Path:
        """Name the lock file for one purpose, to be given to `locked`."""
        return self.state / f"{name}.lock"


def find(option: Path | None) -> Home:
    """Find the home that a command is meant for.

    `option` is what `--home` said; else the environment variable DEPOT_HOME counts, else the
    current folder if it is a home. Raises CallerError when none is named or the named folder
    holds no settings, SurroundingsError when that cannot be seen.
    """
    named = option or _from_environment()
    root = Path(os.path.abspath(named or Path.cwd()))
    if _is_there(root / SETTINGS_NAME):
        return Home(root)
    if named is None:
        raise CallerError(
            "no home is named and the current folder is none",
            allowed="give --home DIR or set DEPOT_HOME; depotserve init makes a home",
        )
    raise CallerError(f"no {SETTINGS_NAME} in it", where=str(root), allowed="a home is expected")


def _is_there(settings: Path) -> bool:
    try:
        os.lstat(settings)
    except PermissionError as error:
        raise SurroundingsError(_reason(error), where=str(settings)) from error
    except OSError:
        return False
    return True


def _from_environment() -> Path | None:
    value = os.environ.get("DEPOT_HOME")
    return Path(value) if value else None


def is_there(path: Path) -> bool:
    """Tell whether anything lies at `path`. Raises SurroundingsError if that cannot be seen."""
    try:
        os.lstat(path)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise SurroundingsError(_reason(error), where=str(path)) from error
    return True


def read_bounded(path: Path, limit: int) -> bytes:
    """Read a whole regular file of at most `limit` bytes.

    Raises SurroundingsError if it cannot be read, CallerError if it is no regular file or longer.
    Never blocks on a FIFO.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        with open(descriptor, "rb") as stream:
            regular = stat.S_ISREG(os.fstat(descriptor).st_mode)
            content = stream.read(limit + 1) if regular else b""
    except OSError as error:
        raise SurroundingsError(_reason(error), where=str(path)) from error
    if not regular:
        raise CallerError("no regular file", where=str(path))
    if len(content) > limit:
        raise CallerError(f"longer than {limit} bytes", where=str(path))
    return content


def write_file(path: Path, content: bytes, *, mode: int) -> None:
    """Replace or make one file; else as `write_files`."""
    write_files([New(path, content, mode)])


@attrs.frozen
class New:
    """A file that is to be: its content, and the mode that it gets if it is new."""

    path: Path
    content: bytes = attrs.field(repr=False)
    mode: int
    # False where a service may write the folder: what it links to is not its to have replaced.
    follow: bool = True
    like: Path | None = None  # a file whose owner and mode a new one gets, if that is there


def write_files(files: Sequence[New]) -> None:
    """Replace or make files of one folder: a reader sees each old or new, never a part.

    Every temporary file beside them is born 0600, written and synced before the first is renamed
    over its path, in the order given, and the folder is synced. An existing file keeps its owner
    and mode; a new one gets `mode` and the owner of its folder where the caller may give it. A
    symlink at a path stays and its target is replaced, unless it says otherwise; what is neither
    there nor a regular file is refused. Raises SurroundingsError; what fails while anything is
    written leaves every old file and no other.
    """
    ready: list[tuple[Path, Path]] = []
    path = files[0].path
    try:
        for one in files:
            path = one.path
            target = Path(os.path.realpath(path)) if one.follow else path
            ready.append((target.with_name(f".{target.name}.{secrets.token_hex(8)}.new"), target))
            _write_new(*ready[-1], one)
        for temporary, target in ready:
            os.rename(temporary, target)
        for folder in {target.parent for _, target in ready}:
            sync_folder(folder)
    except OSError as error:
        raise SurroundingsError(_reason(error), where=str(path)) from error
    finally:
        for temporary, _ in ready:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


def _write_new(temporary: Path, target: Path, new: New) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
    with open(os.open(temporary, flags, 0o600), "wb") as stream:
        _take_over(stream.fileno(), target, new)
        stream.write(new.content)
        stream.flush()
        os.fsync(stream.fileno())


def _take_over(descriptor: int, target: Path, new: New) -> None:
    """Give a new file the owner and mode that the file in its place has, or should have."""
    old = _old(target, new)
    if old is None:
        folder = os.stat(target.parent)
        # An administrator who may give files away keeps the owner of the home.
        with contextlib.suppress(PermissionError):
            os.fchown(descriptor, folder.st_uid, folder.st_gid)
        os.fchmod(descriptor, new.mode)
        return
    now = os.fstat(descriptor)
    if (now.st_uid, now.st_gid) != (old.st_uid, old.st_gid):
        os.fchown(descriptor, old.st_uid, old.st_gid)
    os.fchmod(descriptor, stat.S_IMODE(old.st_mode))


def _old(target: Path, new: New) -> os.stat_result | None:
    """Give the state of the file to be replaced, or of the one that a new one is to be like."""
    for path in filter(None, (target, new.like)):
        with contextlib.suppress(FileNotFoundError):
            old = os.stat(path, follow_symlinks=new.follow or path is new.like)
            if stat.S_ISREG(old.st_mode):
                return old
            if not stat.S_ISLNK(old.st_mode):  # a rename would put a file in a device's place
                raise OSError(errno.EINVAL, "no regular file")
    return None


def sweep(folder: Path) -> None:
    """Remove what an interrupted `write_files` left in a folder; the caller holds its lock."""
    with contextlib.suppress(OSError):
        for name in filter(_TEMPORARY.fullmatch, os.listdir(folder)):
            os.unlink(folder / name)


def sync_folder(folder: Path) -> None:
    """Make renames within `folder` last through a power cut. Raises OSError."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    except OSError as error:
        # Some network file systems cannot sync a folder; they say so with EINVAL.
        if error.errno != errno.EINVAL:
            raise
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def locked(path: Path, *, wait: float = LOCK_SECONDS) -> Iterator[None]:
    """Hold an exclusive lock on the lock file `path` (see `Home.lock`), made if it is missing.

    The file stays when the lock is let go: to remove it would let two holders in. Waits up to
    `wait` seconds. Raises SurroundingsError if another process holds it for longer or it cannot
    be opened.
    """
    flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
    try:
        descriptor = os.open(path, flags, 0o600)
    except OSError as error:
        raise SurroundingsError(_reason(error), where=str(path)) from error
    try:
        _own_as_folder(descriptor, path.parent)
        _acquire(descriptor, path, time.monotonic() + wait)
        yield
    finally:
        os.close(descriptor)


def _own_as_folder(descriptor: int, folder: Path) -> None:
    """Let the service open a lock that an administrator's command made first."""
    owner, found = os.stat(folder), os.fstat(descriptor)
    if not stat.S_ISREG(found.st_mode) or found.st_nlink != 1:
        return  # a service that may write the folder could have linked another's file there
    with contextlib.suppress(PermissionError):
        os.fchown(descriptor, owner.st_uid, owner.st_gid)


def _acquire(descriptor: int, path: Path, deadline: float) -> None:
    while not _try_lock(descriptor, path):
        if time.monotonic() >= deadline:
            raise SurroundingsError("held by another process", where=str(path))
        time.sleep(_POLL_SECONDS)


def _try_lock(descriptor: int, path: Path) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        raise SurroundingsError(_reason(error), where=str(path)) from error
    return True


def _reason(error: OSError) -> str:
    return error.strerror or type(error).__name__
