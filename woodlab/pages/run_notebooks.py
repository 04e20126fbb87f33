"""Notebooks run one after another in one kernel, which imports the kit but once."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from woodlab.errors import WorkError


@contextmanager
def one_kernel() -> Iterator[Callable[[Path, Path, dict[str, Any]], Future[None]]]:
    """While this lasts, what it gives runs a notebook after those asked for before it.

    It takes the notebook, the file to write and the values of its first cell. Where one fails,
    what has not begun never does.
    """
    from jupyter_client.manager import AsyncKernelManager
    from jupyter_core.utils import run_sync

    kernel = AsyncKernelManager(kernel_name="python3")
    pool = ThreadPoolExecutor(1)
    try:
        yield lambda *asked: pool.submit(_run, kernel, *asked)
    finally:
        pool.shutdown(cancel_futures=True)
        if kernel.has_kernel:
            run_sync(kernel.shutdown_kernel)(now=True)


def _run(kernel: Any, source: Path, target: Path, parameters: dict[str, Any]) -> None:
    import nbformat
    import papermill
    from papermill.exceptions import PapermillExecutionError

    cells = nbformat.read(source, as_version=4).cells
    first = next((c.source for c in cells if "parameters" in c.metadata.get("tags", [])), "")
    if kernel.has_kernel:
        _forget(kernel)
    try:
        papermill.execute_notebook(
            str(source),
            str(target),
            # those that the notebook has
            {n: v for n, v in parameters.items() if re.search(rf"\b{n}\b.*=", first)},
            progress_bar=False,
            cwd=str(target.parent),
            kernel_name="python3",
            km=kernel,
            # Its word at being shut down ("KeyboardInterrupt caught") would alarm a maker.
            extra_arguments=["--Application.log_level=50"],
        )
    except PapermillExecutionError as error:
        # papermill has put a cell with the book's path behind the first one
        raise WorkError(
            f"Notebook {source.name} stopped in cell {error.cell_index} "
            f"({error.ename}: {error.evalue}). Open {source} in JupyterLab with your book's "
            "path in its first cell to see the place."
        ) from error


def _forget(kernel: Any) -> None:
    """Every name of the notebook before, and the count of its cells."""
    client = kernel.blocking_client()
    client.start_channels()
    client.execute("get_ipython().reset()", reply=True, timeout=60)
    client.stop_channels()
