"""Text from a record book as plain characters: never markup, in any of the article's formats.

Everything that a template prints goes through `as_markdown`, which escapes each mark that
could begin anything; pandoc, told to read no raw HTML, TeX or other code, then writes the plain
character in HTML, DOCX and typst alike.
"""

from __future__ import annotations

import re
from typing import Any

from woodlab.words import one_line

# Marks that can begin something within a line; a backslash makes each a plain character.
_WITHIN = re.compile(r"([\\`*_{}\[\]<>#@^~$|&\"])")
# What can begin a list, a rule, a heading or a caption at the start of a line.
_AT_START = re.compile(r"^(\(?[A-Za-z0-9]*)([.)])(?![0-9])|^([-+=:%/?!(,;'])")


class Source(str):
    """Text that is Markdown already: made by the article's own code, not read from a book."""


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
    text = _WITHIN.sub(r"\\\1", one_line(value))
    return _AT_START.sub(lambda found: f"{found[1] or ''}\\{found[2] or found[3]}", text)
