"""The kit's one way to write: what stood there or what shall stand there, never half of either.

Everything is first written whole beside its place, as `.NAME.woodlab-new-TOKEN`, reaches the disk,
and is then moved: a file by one move, a folder by one exchange of two names. The tables of a book
are several files: when all of them lie there, a note of what changes is put into the folder, and
from that stroke on they are the book. Then each is moved, and the note taken away.

Readers take no lock: `steady` reads again when a table changed meanwhile, and takes a table from
beside its place while the note says so. The note can name only tables, and counts only where the
contents are those that it states. Writers hold a lock and first settle what a killed one left.
"""

from __future__ import annotations

import ctypes
import errno
import fnmatch
import glob
import hashlib
import json
import os
import re
import secrets
import shutil
import stat
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TypeVar

from woodlab.book.tables import TABLES
from woodlab.errors import WoodlabError, WorkError

NOTE = ".woodlab-change"
OWN_FILES = frozenset(f"{name}.csv" for name in (*TABLES, "set_aside", "rounds"))
WAIT_SECONDS = 30.0
_MOST_NOTE_BYTES = 100_000
_TOKEN = re.compile("[0-9a-f]{16}")

T = TypeVar("T")


def behind(path: str | Path) -> Path:
    """The file or folder behind a link; it is written there, and the link stays."""
    return Path(os.path.realpath(path))


@contextmanager
def locked(path: str | Path) -> Iterator[None]:
    """Hold a file or a book's folder for one writer; what a killed one left is settled first.

    Raises WoodlabError if another writer holds it for half a minute, WorkError if it cannot be
    written.
    """
    path = behind(path)
    inside = path.is_dir()
    with _held(path / ".woodlab-lock" if inside else _beside(path, "lock"), path):
        if inside:
            _settle(path)
        for name in {*OWN_FILES, *_own_files(path)} if inside else ("",):
            _clear_leftovers(behind(path / name))
        yield


def write_file(path: str | Path, data: bytes) -> None:
    """Put a file in the place of `path`, whose lock is held.

    Raises WorkError if the folder cannot be written or the disk is full; nothing is changed then.
    """
    path = behind(path)
    with _said_plainly(path), _dropped_on_error() as written:
        _write_beside(path, secrets.token_hex(8), data, written)
        os.replace(written[0], path)
        _sync_folder(path.parent)


def write_files(folder: str | Path, files: Mapping[str, bytes | None]) -> None:
    """Change the tables of a folder, whose lock is held, as one step; None takes a table away.

    Files of other names among `files` are written before; what is not named is left alone.
    Raises WorkError as `write_file` does.
    """
    folder, token = behind(folder), secrets.token_hex(8)
    tables = {name: data for name, data in files.items() if name.casefold() in OWN_FILES}
    if len(tables) == 1 and None not in tables.values():  # one move is one step
        tables = {}
    for name in files.keys() - tables.keys():
        write_file(folder / name, files[name] or b"")
    if not tables:
        return
    with _said_plainly(folder):
        with _dropped_on_error() as written:
            changes = {}
            for name, data in tables.items():
                place = behind(folder / name)
                changes[name] = [_digest(place), None if data is None else _sha256(data)]
                if data is not None:
                    _write_beside(place, token, data, written)
            note = json.dumps({"token": token, "files": changes}, indent=1)
            write_file(folder / NOTE, note.encode())
        _settle(folder)


@contextmanager
def _dropped_on_error() -> Iterator[list[Path]]:
    """A list of files written beside their places, which are taken away if the block fails."""
    written: list[Path] = []
    try:
        yield written
    except BaseException:
        for new in written:
            new.unlink(missing_ok=True)
        raise


def steady(folder: Path, read: Callable[[dict[str, Path | None]], T]) -> T:
    """What `read` finds in a folder while none of its tables changes.

    `read` is given, by file name, where the tables lie that are not in their place yet, and None
    for those that are gone. Raises WoodlabError if they go on changing for half a minute.
    """
    until = time.monotonic() + WAIT_SECONDS
    while True:
        before = _state(folder)
        try:
            found = read(_pending(folder))
        except OSError:  # a file that was moved while it was opened, unless nothing changed
            if _state(folder) == before:
                raise
        else:
            if _state(folder) == before:
                return found
        if time.monotonic() > until:
            raise WoodlabError(
                f"Another program keeps writing to {folder}. Wait until it is done and try again."
            )
        time.sleep(0.002)


@contextmanager
def whole_folder(target: str | Path, mark: str, ours: Sequence[str] = ("*",)) -> Iterator[Path]:
    """A folder to fill, which takes the place of `target` as one step when the block ends well.

    A folder that is there is replaced only if `check_replaceable` lets it; what is in it and has
    none of the names `ours` (patterns) goes along into the new one. Raises WoodlabError if it may
    not be replaced or another run writes to it, WorkError if it cannot be written.
    """
    target = behind(target)
    with _held(_beside(target, "lock"), target):
        check_replaceable(target, mark)
        _recover(target)
        partial = _beside(target, f"new-{secrets.token_hex(8)}")
        partial.mkdir()
        try:
            yield partial
            if target.exists():
                _carry(target, partial, ours)
            _swap_in(partial, target)
        finally:
            shutil.rmtree(partial, ignore_errors=True)


def check_replaceable(target: Path, mark: str) -> None:
    """Refuse a file, and a folder that holds anything but what the kit wrote there.

    The kit's folders hold a file `mark` that names the kit. Raises WoodlabError otherwise.
    """
    if not target.exists():
        return
    if not target.is_dir():
        raise WoodlabError(f"{target} is a file. Choose a folder.")
    file = target / mark
    if any(target.iterdir()) and not (file.is_file() and b'"woodlab' in file.read_bytes()):
        raise WoodlabError(
            f"{target} holds other files, and no {mark} that an earlier run wrote. Choose a new or "
            "an empty folder; nothing was changed."
        )


def _beside(path: Path, what: str) -> Path:
    name = path.name
    if len(os.fsencode(name)) > 100:  # a name has room for 255 bytes
        name = f"{name[:20]}-{_sha256(os.fsencode(name))[:16]}"
    return path.with_name(f".{name}.woodlab-{what}")


def _clear_leftovers(path: Path) -> None:
    start = glob.escape(_beside(path, "new-").name)
    for entry in path.parent.glob(start + 16 * "[0-9a-f]"):
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry, ignore_errors=True)
        else:
            entry.unlink(missing_ok=True)


def _write_beside(path: Path, token: str, data: bytes, written: list[Path]) -> None:
    if path.exists() and not path.is_file():
        raise WoodlabError(f"{path} is not a file. Choose another name.")
    new = _beside(path, f"new-{token}")
    written.append(new)
    with new.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    if path.exists():
        shutil.copymode(path, new)


@contextmanager
def _held(lock_file: Path, path: Path) -> Iterator[None]:
    """The lock, and the folder that it lies in; neither stays behind unless the work is done."""
    from filelock import FileLock, Timeout

    with _said_plainly(path):
        made = [folder for folder in lock_file.parents if not folder.exists()]
        lock_file.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(str(lock_file), timeout=WAIT_SECONDS, mode=0o666)
        try:
            with lock:
                try:
                    yield
                finally:
                    if os.name != "nt":  # while it is held: who waits for it sees that it is gone
                        lock_file.unlink(missing_ok=True)
        except BaseException as error:
            with suppress(OSError):
                for folder in made:
                    folder.rmdir()
            if isinstance(error, Timeout):
                raise WoodlabError(
                    f"Another program is writing to {path}. Wait until it is done and try again."
                ) from None
            raise


@contextmanager
def _said_plainly(path: Path) -> Iterator[None]:
    """The operating system's refusals in words a maker can act on."""
    try:
        yield
    except OSError as error:
        why = str(error.strerror or error)
        remedy = "Nothing was lost. Free some space or choose another folder, then try again."
        if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
            why = "no permission"
            remedy = "Nothing was changed. Choose another folder, or allow writing to this one."
        raise WorkError(f"{path} cannot be written: {why}. {remedy}") from error


def _own_files(folder: Path) -> list[str]:
    return [name for name in os.listdir(folder) if name == NOTE or name.casefold() in OWN_FILES]


def _state(folder: Path) -> dict[str, tuple[int, ...] | None]:
    """What tells one state of the tables from another: no file is ever written in its place."""
    state: dict[str, tuple[int, ...] | None] = dict.fromkeys(_own_files(folder))
    for name in state:
        with suppress(OSError):
            seen = os.stat(folder / name)
            state[name] = (seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns)
    return state


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _digest(path: Path) -> str | None:
    with suppress(OSError):
        if path.is_file():  # no pipe, which would never end
            return _sha256(path.read_bytes())
    return None


def _pending(folder: Path) -> dict[str, Path | None]:
    """The moves that the note in a folder asks for and that are still to be made.

    A table that was altered since is not touched: what the maker typed last stands.
    """
    note = folder / NOTE
    moves: dict[str, Path | None] = {}
    with suppress(OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        seen = os.lstat(note)
        if not stat.S_ISREG(seen.st_mode) or seen.st_size > _MOST_NOTE_BYTES:
            return {}
        told = json.loads(note.read_bytes())
        if not _TOKEN.fullmatch(told["token"]):
            return {}
        for name, (before, after) in told["files"].items():
            place = behind(folder / name)
            if name.casefold() not in OWN_FILES or _digest(place) != before:
                continue
            new = _beside(place, f"new-{told['token']}")
            if after is None:
                moves[name] = None
            elif not new.is_symlink() and _digest(new) == after:
                moves[name] = new
    return moves


def _settle(folder: Path) -> None:
    """Make the moves that a note asks for, and take the note away."""
    for name, new in _pending(folder).items():
        if new is None:
            (folder / name).unlink(missing_ok=True)
        else:
            os.replace(new, behind(folder / name))
    _sync_folder(folder)
    if (folder / NOTE).is_symlink() or (folder / NOTE).is_file():
        (folder / NOTE).unlink()


def _carry(target: Path, partial: Path, ours: Sequence[str]) -> None:
    """Copy what is not ours into the new folder."""
    shutil.copymode(target, partial)
    for path in target.iterdir():
        mine = any(fnmatch.fnmatchcase(path.name, pattern) for pattern in ours)
        if mine or os.path.lexists(partial / path.name):
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.copytree(path, partial / path.name, symlinks=True)
        else:
            shutil.copy2(path, partial / path.name, follow_symlinks=False)


def _swap_in(partial: Path, target: Path) -> None:
    """Put the filled folder in the place of `target`."""
    for file in partial.rglob("*"):
        if file.is_file() and not file.is_symlink():
            with file.open("rb+" if os.name == "nt" else "rb") as handle:
                os.fsync(handle.fileno())
    old = _beside(target, "old")
    if not (target.exists() and _exchange(partial, target)):
        if target.exists():
            os.replace(target, old)
        os.replace(partial, target)
        shutil.rmtree(old, ignore_errors=True)
    _sync_folder(target.parent)


def _exchange(one: Path, other: Path) -> bool:
    """Exchange two names at once; False where the system or its file system cannot."""
    with suppress(AttributeError, OSError, TypeError):
        library = ctypes.CDLL(None, use_errno=True)
        first, second = os.fsencode(one), os.fsencode(other)
        if sys.platform.startswith("linux"):  # AT_FDCWD and RENAME_EXCHANGE of linux/fs.h
            return bool(library.renameat2(-100, first, -100, second, 2) == 0)
        if sys.platform == "darwin":  # RENAME_SWAP of sys/stdio.h
            return bool(library.renamex_np(first, second, 2) == 0)
    return False


def _recover(target: Path) -> None:
    """After runs that were stopped: the old target in its place, no working folder left."""
    old = _beside(target, "old")
    if old.is_dir() and not old.is_symlink() and not target.exists():
        os.replace(old, target)
    shutil.rmtree(old, ignore_errors=True)
    _clear_leftovers(target)


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # folders cannot be opened for syncing there
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
