"""Questions asked once: within the main job, its notebooks and pages share the answers."""

from __future__ import annotations

import functools
import hashlib
import inspect
import os
import pickle
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd

Asked = TypeVar("Asked", bound=Callable[..., Any])
FOLDER = "WOODLAB_ASKED"  # the environment's name of the folder; a notebook's kernel inherits it


@contextmanager
def shared(folder: Path) -> Iterator[None]:
    """While this lasts, what is marked `asked_once` is kept in a folder (ours alone: answers are
    pickled), for this process and those that it starts."""
    before = os.environ.get(FOLDER)
    os.environ[FOLDER] = str(folder)
    try:
        yield
    finally:
        os.environ.pop(FOLDER)
        if before is not None:
            os.environ[FOLDER] = before


def asked_once(question: Asked) -> Asked:
    """Mark a function of a book or of fits whose answer `shared` keeps; else it runs as ever."""
    takes = inspect.signature(question)

    @functools.wraps(question)
    def ask(*args: Any, **named: Any) -> Any:
        folder = os.environ.get(FOLDER)
        if not folder:
            return question(*args, **named)
        given = takes.bind(*args, **named)
        given.apply_defaults()
        try:
            about = repr([question.__qualname__, *map(_said, given.arguments.values())])
        except TypeError:  # asked with something of no name
            return question(*args, **named)
        kept = Path(folder) / hashlib.sha256(about.encode()).hexdigest()
        if kept.exists():
            return pickle.loads(kept.read_bytes())
        answer = question(*args, **named)
        half = kept.with_suffix(f".{os.getpid()}")
        half.write_bytes(pickle.dumps(answer))
        half.replace(kept)
        return answer

    return ask  # type: ignore[return-value]


def _said(value: Any) -> Any:
    """What tells one argument from another, in any process."""
    if value is None or isinstance(value, str | int | float | pd.Timestamp | np.generic):
        return repr(value)
    if isinstance(value, np.ndarray):
        return value.shape, hashlib.sha256(value.tobytes()).hexdigest()
    if isinstance(value, list | tuple):
        return [_said(one) for one in value]
    if hasattr(value, "parts"):  # fits: their book, their day, their draws
        return _said([value.book, value.as_of, *(part.u for part in value.parts)])
    if hasattr(value, "hash"):
        return value.hash
    raise TypeError(type(value).__name__)
