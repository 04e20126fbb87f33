"""An article that was written, read back: what it says, from which numbers, what it leaves open."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from woodlab.errors import WoodlabError, as_path
from woodlab.show import Card, Column, Said, Shown, card

NUMBER_COLUMNS = ["key", "text", "value", "ci_lower", "ci_upper", "certainty", "call"]


@dataclass(frozen=True, eq=False, repr=False)
class Article(Shown):
    """A written article. Made by `read_article`.

    Attributes
    ----------
    folder : Path
    title : str
    numbers : DataFrame
        A row a number of the text: `key`, `text` (as printed), `value`, `ci_lower`, `ci_upper`,
        `certainty`, `call` (what to type to make it again).
    figures : DataFrame
        `number`, `caption`, `alt`.
    not_known : tuple of str
    """

    folder: Path
    title: str
    numbers: pd.DataFrame
    figures: pd.DataFrame
    not_known: tuple[str, ...]

    def card(self) -> Card:
        """The title, and a row a figure."""
        forms = sorted(path.suffix[1:] for path in self.folder.glob("article.*"))
        says = [self.title, f"Written as {', '.join(forms)} in the folder {self.folder.name}."]
        columns = [Column("figure", lambda r: f"{r.number}"),
                   Column("what it shows", lambda r: r.caption, False)]  # fmt: skip
        return card(says, self.figures, columns, caption="Figures of the article",
                    more=("article.numbers", "article.not_known", "article.text"))  # fmt: skip

    @property
    def text(self) -> Markdown:
        """The article itself, without its figures."""
        return Markdown((self.folder / "article.md").read_text(encoding="utf-8"))

    @property
    def open_questions(self) -> Said:
        """What the season left open."""
        return Said(self.not_known)


class Markdown(str):
    """Text that a notebook shows as it is meant to be read."""

    def _repr_markdown_(self) -> str:
        body = re.sub(r"^!\[.*?\]\([^)]*\)$", "", self, flags=re.M | re.S)
        return re.sub(r"^#{1,2} ", "### ", body, flags=re.M)

    __repr__ = str.__str__


def read_article(folder: str | Path) -> Article:
    """What an article says and from which numbers, read from its folder.

    Parameters
    ----------
    folder : path
        As `write_article` returned it.

    Returns
    -------
    Article
        Shows itself.

    Raises
    ------
    WoodlabError
        If no article is there.

    Examples
    --------
    >>> import tempfile
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1"]).until("2025-01-20")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     article = wl.read_article(wl.write_article(book, folder + "/a", formats=("md",)))
    >>> "key" in article.numbers
    True
    """
    path = as_path(folder, "read_article")
    try:
        held: dict[str, Any] = json.loads((path / "article.json").read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise WoodlabError(
            f"There is no article in {path}. wl.write_article(fits, folder) writes one."
        ) from error
    figures = pd.DataFrame(held["figures"], columns=["caption", "alt"])
    figures = figures.assign(number=range(1, len(figures) + 1))
    numbers = pd.DataFrame(held["numbers"]).reindex(columns=NUMBER_COLUMNS)
    return Article(path, str(held["title"]), numbers, figures, tuple(map(str, held["not_known"])))
