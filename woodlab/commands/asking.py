"""A question at the console."""

from __future__ import annotations

import sys


def ask(text: str, choices: str) -> str:
    """One of the choices, typed; q where there is nobody to type."""
    while True:
        print(f"{text} ", end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            return "q"
        if line.strip() and line.strip().casefold()[0] in choices:
            return line.strip().casefold()[0]
