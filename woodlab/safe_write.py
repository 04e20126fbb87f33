"""The kit's one way to write: what stood there or what shall stand there, never half of either.

Everything is first written whole beside its place, as `.NAME.woodlab-new-TOKEN`, reaches the disk,
and is then moved. A file takes one move (`write_file`), a folder one exchange of two names
(`whole_folder`). The tables of a book are several files in a folder that holds other things, too
(`write_files`): when all of them lie there, a note of what changes is put into the folder, and from
that stroke on they are the book. Then each is moved, and the note taken away.

Readers take no lock, so that a book can be read where nothing may be written: `steady` reads again
when a table changed meanwhile, and takes a table from beside its place while the note says so. The
note is trusted with nothing: it can name only tables, and counts only where the contents are those
that it states. Writers hold a lock and first settle what a killed one left.
"""

from __future__ import annotations

import ctypes
import errno
import fnmatch
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
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2  # linux/fs.h
_RENAME_SWAP = 2  # sys/stdio.h of macOS

T = TypeVar("T")


def behind(path: str | Path) -> Path:
    """The file or folder behind a link; it is written there, and the link stays."""
    return Path(os.path.realpath(path))


@contextmanager
def locked(path: str | Path) -> Iterator[None]:
    """Hold a file or a book's folder for one writer; what a killed one left is settled first.

    Raises
    ------
    WoodlabError
        If another writer holds it for longer than half a minute.
    WorkError
        If it cannot be written.
    """
    path = behind(path)
    inside = path.is_dir()
    with _held(path / ".woodlab-lock" if inside else _beside(path, "lock"), path):
        if inside:
            _settle(path)
            for name in {*OWN_FILES, *_own_files(path)}:
                _clear_leftovers(behind(path / name))
        else:
            _clear_leftovers(path)
        yield


def write_file(path: str | Path, data: bytes) -> None:
    """Put a file in the place of `path`, whose lock is held.

    Raises WorkError if the folder cannot be written or the disk is full; nothing is changed then.
    """
    path = behind(path)
    with _said_plainly(path):
        new = _write_beside(path, _token(), data)
        try:
            os.replace(new, path)
        except BaseException:
            new.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)


def write_files(folder: str | Path, files: Mapping[str, bytes | None]) -> None:
    """Change the tables of a folder, whose lock is held, as one step; None takes a table away.

    Files of other names among `files` are written before; what is not named is left alone.

    Raises WorkError as `write_file` does.
    """
    folder, token = behind(folder), _token()
    written: list[Path] = []
    for name in [name for name in files if name.casefold() not in OWN_FILES]:
        write_file(folder / name, files[name] or b"")
    with _said_plainly(folder):
        try:
            changes = {}
            for name, data in files.items():
                if name.casefold() not in OWN_FILES:
                    continue
                place = behind(folder / name)
                changes[name] = [_digest(place), None if data is None else _sha256(data)]
                if data is not None:
                    written.append(_write_beside(place, token, data))
            note = json.dumps({"token": token, "files": changes}, indent=1)
            write_file(folder / NOTE, note.encode())
        except BaseException:
            for new in written:
                new.unlink(missing_ok=True)
            raise
        _settle(folder)


def write_folder(path: str | Path, files: Mapping[str, bytes]) -> None:
    """Files into a folder as one step, whether it is there already or not.

    Raises as `locked` and `write_file` do.
    """
    path = behind(path)
    if path.is_dir():
        with locked(path):
            write_files(path, files)
    else:
        with whole_folder(path, NOTE) as folder:
            for name, data in files.items():
                write_file(folder / name, data)


def steady(folder: Path, read: Callable[[dict[str, Path | None]], T]) -> T:
    """What `read` finds in a folder while none of its tables changes.

    `read` is given, by file name, where the tables lie that are not in their place yet, and None
    for those that are gone.

    Raises WoodlabError if the tables go on changing for half a minute.
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
    none of the names `ours` (patterns) goes along into the new one.

    Raises
    ------
    WoodlabError
        If `target` may not be replaced, or another run writes to it.
    WorkError
        If it cannot be written; what stood there is untouched.
    """
    target = behind(target)
    check_replaceable(target, mark)
    with _held(_beside(target, "lock"), target):
        _recover(target)
        check_replaceable(target, mark)
        partial = _beside(target, f"new-{_token()}")
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

    The kit's folders hold a file `mark` that names the kit.

    Raises WoodlabError otherwise.
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


# ---- names beside a place -------------------------------------------------------------------


def _token() -> str:
    return secrets.token_hex(8)


def _beside(path: Path, what: str) -> Path:
    name = path.name
    if len(os.fsencode(name)) > 100:  # a name has room for 255 bytes
        name = f"{name[:20]}-{_sha256(os.fsencode(name))[:16]}"
    return path.with_name(f".{name}.woodlab-{what}")


def _clear_leftovers(path: Path) -> None:
    start = _beside(path, "new-").name
    with suppress(FileNotFoundError):
        for entry in list(path.parent.iterdir()):
            if entry.name.startswith(start) and _TOKEN.fullmatch(entry.name[len(start) :]):
                if entry.is_dir() and not entry.is_symlink():
                    shutil.rmtree(entry, ignore_errors=True)
                else:
                    entry.unlink(missing_ok=True)


def _write_beside(path: Path, token: str, data: bytes) -> Path:
    if path.exists() and not path.is_file():
        raise WoodlabError(f"{path} is not a file. Choose another name.")
    new = _beside(path, f"new-{token}")
    try:
        with new.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, new)
    except BaseException:
        new.unlink(missing_ok=True)
        raise
    return new


@contextmanager
def _held(lock_file: Path, path: Path) -> Iterator[None]:
    """The lock, and the folder that it lies in; neither stays behind unless the work is done."""
    from filelock import FileLock, Timeout

    with _said_plainly(path), _parents_of(lock_file):
        lock = FileLock(str(lock_file), timeout=WAIT_SECONDS, mode=0o666)
        try:
            lock.acquire()
        except Timeout:
            raise WoodlabError(
                f"Another program is writing to {path}. Wait until it is done and try again."
            ) from None
        try:
            yield
        finally:
            if os.name != "nt":  # while it is held: who waits for it sees that it is gone
                lock_file.unlink(missing_ok=True)
            lock.release()


@contextmanager
def _parents_of(path: Path) -> Iterator[None]:
    made = [folder for folder in path.parents if not folder.exists()]
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        with suppress(OSError):
            for folder in made:
                folder.rmdir()
        raise


@contextmanager
def _said_plainly(path: Path) -> Iterator[None]:
    """The operating system's refusals in words a maker can act on."""
    try:
        yield
    except OSError as error:
        if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
            raise WorkError(
                f"{path} cannot be written: no permission. Nothing was changed. Choose another "
                "folder, or allow writing to this one."
            ) from error
        raise WorkError(
            f"{path} cannot be written: {error.strerror or error}. Nothing was lost. Free some "
            "space or choose another folder, then try again."
        ) from error


# ---- the tables of a folder -----------------------------------------------------------------


def _own_files(folder: Path) -> list[str]:
    return [name for name in os.listdir(folder) if name == NOTE or name.casefold() in OWN_FILES]


def _state(folder: Path) -> dict[str, tuple[int, ...] | None]:
    """What tells one state of the tables from another: no file is ever written in its place."""
    state: dict[str, tuple[int, ...] | None] = {}
    for name in _own_files(folder):
        try:
            seen = os.stat(folder / name)
        except OSError:
            state[name] = None
        else:
            state[name] = (seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns)
    return state


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _digest(path: Path) -> str | None:
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            return None
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _pending(folder: Path) -> dict[str, Path | None]:
    """The moves that the note in a folder asks for and that are still to be made.

    A table that was altered since is not touched: what the maker typed last stands.
    """
    note = folder / NOTE
    try:
        seen = os.lstat(note)
        if not stat.S_ISREG(seen.st_mode) or seen.st_size > _MOST_NOTE_BYTES:
            return {}
        told = json.loads(note.read_bytes())
        token, changes = told["token"], dict(told["files"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}
    if not (isinstance(token, str) and _TOKEN.fullmatch(token)):
        return {}
    moves: dict[str, Path | None] = {}
    for name, change in changes.items():
        if name.casefold() not in OWN_FILES or not isinstance(change, list) or len(change) != 2:
            continue
        place = behind(folder / name)
        if _digest(place) != change[0]:
            continue
        new = _beside(place, f"new-{token}")
        if change[1] is None:
            moves[name] = None
        elif not new.is_symlink() and _digest(new) == change[1]:
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
    note = folder / NOTE
    if note.is_symlink() or note.is_file():
        note.unlink()


# ---- a whole folder -------------------------------------------------------------------------


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
    """Put the filled folder in the place of `target`; the old one is then in the place of it."""
    for file in partial.rglob("*"):
        if file.is_file() and not file.is_symlink():
            with file.open("rb+" if os.name == "nt" else "rb") as handle:
                os.fsync(handle.fileno())
    if not target.exists():
        os.replace(partial, target)
    elif not _exchange(partial, target):
        old = _beside(target, "old")
        os.replace(target, old)
        os.replace(partial, target)
        shutil.rmtree(old, ignore_errors=True)
    _sync_folder(target.parent)


def _recover(target: Path) -> None:
    """After runs that were stopped: the old target in its place, no working folder left."""
    old = _beside(target, "old")
    if old.is_dir() and not old.is_symlink():
        if target.exists():
            shutil.rmtree(old, ignore_errors=True)
        else:
            os.replace(old, target)
    _clear_leftovers(target)


def _exchange(one: Path, other: Path) -> bool:
    """Exchange two names at once; False where the system or its file system cannot."""
    try:
        library = ctypes.CDLL(None, use_errno=True)
        first, second = os.fsencode(one), os.fsencode(other)
        if sys.platform.startswith("linux"):
            flag = _RENAME_EXCHANGE
            return bool(library.renameat2(_AT_FDCWD, first, _AT_FDCWD, second, flag) == 0)
        if sys.platform == "darwin":
            return bool(library.renamex_np(first, second, _RENAME_SWAP) == 0)
    except (AttributeError, OSError, TypeError):
        return False
    return False


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # folders cannot be opened for syncing there
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
