"""The commands of `woodlab`: `records` has check, blank, from-sheet, share and demo, `week` has
season, ready, round and add. Each puts its own on the command line and runs them."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


def command(commands: Commands, name: str, run: Callable, about: str) -> Callable[..., Any]:
    """A further command; what comes back adds its arguments."""
    parser = commands.add_parser(name, help=about)
    parser.set_defaults(run=run)
    if name not in ("blank", "from-sheet", "demo"):
        parser.add_argument("book", type=Path, help="the record book: a folder or a workbook")
    return parser.add_argument


def ask(text: str, choices: str) -> str:
    """One of the choices, typed; q where there is nobody to type."""
    while True:
        print(f"{text} ", end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            return "q"
        if line.strip() and line.strip().casefold()[0] in choices:
            return line.strip().casefold()[0]
