"""A folder put in the place of another as one step, and what a stopped run left cleared away.

A run fills a working folder beside the target, with a file in it that the run holds locked. Where
the system can exchange two names at once (Linux, macOS) there is no moment without a whole target.
Elsewhere there are two moves, and the next run finishes what lies between them.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

RUNNING = ".running"
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2  # linux/fs.h
_RENAME_SWAP = 2  # sys/stdio.h of macOS


@contextmanager
def working_folder(target: Path) -> Iterator[Path]:
    """A folder beside `target` to be filled; gone at the end, whatever happens.

    Leftovers of runs that were killed are cleared away first; those of a run that still goes on
    are left alone.
    """
    recover(target)
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = Path(tempfile.mkdtemp(prefix=_prefix(target), dir=target.parent))
    lock = FileLock(str(partial / RUNNING))
    try:
        lock.acquire(timeout=0)
        yield partial
    finally:
        lock.release()
        shutil.rmtree(partial, ignore_errors=True)


def swap_in(partial: Path, target: Path) -> None:
    """Put the filled folder in the place of `target`; the old one is then in the place of it."""
    os.chmod(partial, 0o755)
    _to_disk(partial)
    if not target.exists():
        os.replace(partial, target)
    elif not _exchange(partial, target):
        os.replace(target, _old(target))
        os.replace(partial, target)
        shutil.rmtree(_old(target), ignore_errors=True)
    (target / RUNNING).unlink(missing_ok=True)


def recover(target: Path) -> None:
    """After runs that were stopped: the old target in its place, no working folder left."""
    if _old(target).exists():
        if target.exists():
            shutil.rmtree(_old(target), ignore_errors=True)
        else:
            os.replace(_old(target), target)
    if not target.parent.is_dir():
        return
    (target / RUNNING).unlink(missing_ok=True)
    for left in target.parent.glob(f"{_glob_safe(_prefix(target))}*"):
        if left.is_dir() and not _is_running(left):
            shutil.rmtree(left, ignore_errors=True)


def _prefix(target: Path) -> str:
    return f".{target.name[:100]}-working-"


def _old(target: Path) -> Path:
    return target.with_name(f".{target.name[:100]}-old")


def _glob_safe(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def _is_running(folder: Path) -> bool:
    lock = FileLock(str(folder / RUNNING))
    try:
        lock.acquire(timeout=0)
    except (Timeout, OSError):
        return True
    lock.release()
    return False


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


def _to_disk(folder: Path) -> None:
    for file in folder.rglob("*"):
        if file.is_file() and file.name != RUNNING:
            with file.open("rb+") as handle:
                os.fsync(handle.fileno())
