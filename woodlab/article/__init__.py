"""Findings in words and figures: one Markdown source to DOCX, HTML and PDF."""

from __future__ import annotations

from typing import Any

__all__ = ["copy_template", "write_article"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from woodlab.article import write

        return getattr(write, name)
    raise AttributeError(f"module 'woodlab.article' has no attribute {name!r}")
