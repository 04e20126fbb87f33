"""A folder written beside its place and swapped in whole: the old one or the new, never half."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from woodlab.errors import WoodlabError, WorkError

OURS = ("article.md", "article.docx", "article.html", "article.pdf", "article.json", "figures")
MARK = "article.json"


@contextmanager
def written_beside(out: Path) -> Iterator[Path]:
    """A new folder beside `out` that takes its place when the block ends without an error.

    Files in `out` that are not an article's go along into the new folder. A folder that holds
    files but no article is refused.

    Raises
    ------
    WoodlabError
        When `out` is a file, or holds other files and no article.
    WorkError
        When it cannot be written; what stood there is untouched.
    """
    _recover(out)
    if out.exists() and not out.is_dir():
        raise WoodlabError(f"{out} is a file. Give a folder for the article.")
    if out.is_dir() and any(out.iterdir()) and not (out / MARK).is_file():
        raise WoodlabError(
            f"{out} holds other files and no article. Give a new or an empty folder, or that of "
            "an earlier article."
        )
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        partial = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    except OSError as error:
        raise WorkError(
            f"{out} cannot be written ({error.strerror}). Give a folder that you may write to."
        ) from error
    try:
        yield partial
        _swap_in(partial, out)
    except OSError as error:
        raise WorkError(
            f"The article could not be written to {out} ({error.strerror or error}). What stood "
            "there before is untouched. Free some space, or give another folder."
        ) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _old(out: Path) -> Path:
    return out.with_name(f".{out.name}-old")


def _swap_in(partial: Path, out: Path) -> None:
    os.chmod(partial, 0o755)
    if out.exists():
        for path in out.iterdir():
            if path.name not in OURS:
                _carry(path, partial / path.name)
        os.replace(out, _old(out))
    os.replace(partial, out)
    shutil.rmtree(_old(out), ignore_errors=True)


def _carry(path: Path, target: Path) -> None:
    if path.is_dir():
        shutil.copytree(path, target, symlinks=True)
    else:
        shutil.copy2(path, target, follow_symlinks=False)


def _recover(out: Path) -> None:
    """After a run that was stopped between the two moves of `_swap_in`."""
    if _old(out).exists():
        if out.exists():
            shutil.rmtree(_old(out), ignore_errors=True)
        else:
            os.replace(_old(out), out)
