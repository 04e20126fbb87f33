"""How a bench says what it measured: one line a figure, gathered by `run_all.py`."""

from __future__ import annotations

import time
from collections.abc import Callable


def result(name: str, value: float | str, unit: str, target: str = "") -> None:
    """Print one figure; `target` is what was asked of it, as `at most 2`, or nothing."""
    shown = f"{value:.3g}" if isinstance(value, float) else str(value)
    print(f"RESULT | {name} | {shown} | {unit} | {target}", flush=True)


def ratio(ours: Callable[[], object], theirs: Callable[[], object], times: int = 7) -> float:
    """Least time of ours over least time of theirs, taken by turns so that both see one load."""
    seconds: tuple[list[float], list[float]] = ([], [])
    for _ in range(times):
        for taken, work in zip(seconds, (ours, theirs), strict=True):
            start = time.perf_counter()
            work()
            taken.append(time.perf_counter() - start)
    return min(seconds[0]) / min(seconds[1])
