"""Writing so that a crash loses nothing: beside, then swapped in; a folder through a journal.

A folder of CSV files cannot be swapped as one without moving the other files in it. So the new
tables are first written whole into `.woodlab-journal/`, then a mark is set, then each file is
moved into place. A crash before the mark leaves the old book, a crash after it the new one:
readers take a table from a marked journal, and the next writer finishes the move.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from woodlab.errors import WoodlabError

JOURNAL = ".woodlab-journal"
MARK = "complete"


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file beside `path` and swap it in; `path` is the old file or the new, never half.

    Raises
    ------
    WoodlabError
        If the folder cannot be written or the disk is full; nothing is changed then.
    """
    path = Path(path)
    with _said_plainly(path):
        handle, name = tempfile.mkstemp(prefix=_beside(path), dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            _keep_mode(path, name)
            os.replace(name, path)
            _sync_folder(path.parent)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise


def _beside(path: Path) -> str:
    return f".{path.name[:40]}.new-"


def clear_leftovers(path: Path) -> None:
    """Remove what writers that were killed left beside a file; its lock must be held."""
    start = _beside(path)
    for entry in path.parent.iterdir():
        if entry.name.startswith(start):
            entry.unlink(missing_ok=True)


def _keep_mode(path: Path, new: str) -> None:
    # mkstemp makes files that only their owner reads; a book is as readable as it was before.
    if path.exists():
        shutil.copymode(path, new)
    else:
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(new, 0o666 & ~mask)


def write_folder(path: Path, files: dict[str, bytes], remove: tuple[str, ...] = ()) -> None:
    """Replace several files of a folder as one step; other files in it are left alone.

    `remove` names files that shall be gone after the step.
    """
    path = Path(path)
    with _said_plainly(path):
        path.mkdir(parents=True, exist_ok=True)
        finish_journal(path)
        journal = path / JOURNAL
        shutil.rmtree(journal, ignore_errors=True)
        journal.mkdir()
        try:
            for name, data in files.items():
                write_bytes(journal / name, data)
            write_bytes(journal / MARK, "\n".join(remove).encode())
        except BaseException:
            shutil.rmtree(journal, ignore_errors=True)
            raise
        finish_journal(path)


def finish_journal(path: Path) -> None:
    """Move the files of a complete journal into place; drop an incomplete one."""
    journal = Path(path) / JOURNAL
    if not journal.is_dir():
        return
    mark = journal / MARK
    if mark.exists():
        for name in mark.read_text().split("\n"):
            if name:
                (Path(path) / name).unlink(missing_ok=True)
        for file in sorted(journal.iterdir()):
            if file.name != MARK and not file.name.startswith("."):
                os.replace(file, Path(path) / file.name)
        _sync_folder(Path(path))
        mark.unlink()
    shutil.rmtree(journal, ignore_errors=True)


def settled(folder: Path, file: Path) -> Path:
    """Where a table is to be read: in a complete journal, when a writer was stopped there."""
    mark = folder / JOURNAL / MARK
    if not mark.exists():
        return file
    waiting = folder / JOURNAL / file.name
    if waiting.exists():
        return waiting
    removed = mark.read_text().split("\n")
    return folder / JOURNAL / "removed" if file.name in removed else file


@contextmanager
def book_lock(path: Path, wait_seconds: float = 30.0) -> Iterator[None]:
    """Hold the book for one writer; a second one waits, then is told.

    Raises
    ------
    WoodlabError
        If another writer holds the book for longer than `wait_seconds`.
    """
    from filelock import FileLock, Timeout

    path = Path(path)
    name = path / ".woodlab-lock" if path.is_dir() else path.with_name(f".{path.name}.lock")
    lock = FileLock(str(name), timeout=wait_seconds)
    with _said_plainly(path):
        try:
            lock.acquire()
        except Timeout:
            raise WoodlabError(
                f"Another program is writing to {path}. Wait until it is done and try again."
            ) from None
    try:
        with _said_plainly(path):
            if not path.is_dir():
                clear_leftovers(path)
            else:
                for file in path.glob("*.csv"):
                    clear_leftovers(file)
            yield
    finally:
        lock.release()


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # folders cannot be opened for syncing there
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _said_plainly(path: Path) -> Iterator[None]:
    """The operating system's refusals in words a maker can act on."""
    try:
        yield
    except PermissionError as error:
        raise WoodlabError(
            f"{path} cannot be written: no permission. Nothing was changed. Choose another "
            "folder, or allow writing to this one."
        ) from error
    except OSError as error:
        raise WoodlabError(
            f"{path} cannot be written: {error.strerror or error}. Nothing was lost. Free some "
            "space or choose another folder, then try again."
        ) from error
