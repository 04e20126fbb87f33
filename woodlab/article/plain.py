"""Text from a record book as plain characters: never markup, in any of the article's formats.

Everything that a template prints goes through `as_markdown`, which escapes each mark that
could begin anything; pandoc, told to read no raw HTML, TeX or other code, then writes the plain
character in HTML, DOCX and typst alike.
"""

from __future__ import annotations

import re
from typing import Any

LONGEST_NAME = 40

# Marks that can begin something within a line; a backslash makes each a plain character.
_WITHIN = re.compile(r"([\\`*_{}\[\]<>#@^~$|&\"])")
# What can begin a list, a rule, a heading or a caption at the start of a line.
_AT_START = re.compile(r"^(\(?[A-Za-z0-9]*)([.)])(?![0-9])|^([-+=:%/?!(,;'])")
_SPACES = re.compile(r"[^\S\u00a0\u202f]+")
# Characters that would turn the reading order of what follows, and those XML has no place for.
_LEFT_OUT = re.compile(
    "[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufeff\ufdd0-\ufdef\ud800-\udfff\ue000-\ue002]"
    "|[" + "".join(chr(plane * 0x10000 + last) for plane in range(17) for last in (0xFFFE, 0xFFFF))
    + "]"
)  # fmt: skip


class Source(str):
    """Text that is Markdown already: made by the article's own code, not read from a book."""


def plain_text(value: Any) -> str:
    """One line of printable text: control and turning characters out, white space single.

    Non-breaking spaces stay: they hold a number to its unit.

    Examples
    --------
    >>> plain_text("oak" + chr(10) + "  and" + chr(0) + " ash")
    'oak and ash'
    """
    without = _LEFT_OUT.sub("", _SPACES.sub(" ", str(value)))
    return _SPACES.sub(" ", without).strip(" ")


def as_markdown(value: Any) -> str:
    """`value` as Markdown that reads as the same plain characters; a `Source` stays as it is.

    Examples
    --------
    >>> print(as_markdown("<b>50 % of *oak*</b>"))
    \\<b\\>50 % of \\*oak\\*\\</b\\>
    >>> print(as_markdown("1. not a list"))
    1\\. not a list
    """
    if isinstance(value, Source):
        return value
    text = _WITHIN.sub(r"\\\1", plain_text(value))
    return _AT_START.sub(lambda found: f"{found[1] or ''}\\{found[2] or found[3]}", text)


def short_name(value: Any, longest: int = LONGEST_NAME) -> str:
    """A name that fits a table's cell: plain, and cut with an ellipsis when it is too long."""
    text = plain_text(value)
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"
