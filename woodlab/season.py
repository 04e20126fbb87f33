"""The main job: a season's records to notebooks, pages and an article, as one step."""

from __future__ import annotations

import json
import os
import re
import sys
import tempfile
import warnings
from collections.abc import Iterator
from concurrent.futures import as_completed
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tqdm import tqdm

import woodlab
from woodlab.book.record_book import RecordBook, open_book
from woodlab.drying.asked import shared
from woodlab.errors import WoodlabError, WorkError
from woodlab.pages.run_notebooks import one_kernel
from woodlab.safe_write import behind, check_replaceable, whole_folder
from woodlab.words import SHOWN_UNITS

if TYPE_CHECKING:
    from woodlab.drying.fit.results import DryingFits

# What makes a folder one of ours, so that a second run may replace it.
MARK, FITS = "season.json", "season.fits"
# What it writes there; anything else in the folder is kept.
OURS = (MARK, FITS, "index.html", "evidence.html", "pictures", "article", "[0-9]_*.ipynb",
        "[0-9]_*.html")  # fmt: skip
# About the kit and not about a book: run by hand, or by the tests.
NOT_OF_A_SEASON = ("9_checks",)
# How the pages name one another.
SHORT = {
    "1": "Records", "2": "Curves", "3": "Ready", "4": "Sealing", "5": "Cracks", "6": "Movement",
    "7": "Next season", "8": "Article",
}  # fmt: skip
# Notebooks in the order in which they find what they ask answered already; the last one shows the
# article, and so waits until it is written.
WITHOUT_FITS, WITH_FITS, ARTICLE = "1", "256734", "8"
# At the head of the article; paper does without.
BACK = (
    '<style media="print">.to-front{display:none}</style><p class="to-front" style="margin:.6em '
    '1em;font-family:sans-serif"><a href="../index.html">Back to the front page</a></p>'
)
PREPARING = (
    "Preparing the drying model and fitting the season once; on a machine that never ran it this "
    "takes some seconds longer."
)


@dataclass(frozen=True)
class SeasonOptions:
    """How `run_season` runs: the day it looks from, whose season it is, the article's form.

    `units` are those to answer in, "lb-in" for one; None is how the book is kept. `notebooks` are
    the numbers of those to run, all of them unless given; `learn_from` are fits of earlier
    seasons, saved with `fits.save` (every season leaves a `season.fits`).
    """

    as_of: str | None = None
    locale: str = "en_GB"
    paper: str = "a4"
    notebooks: tuple[str, ...] | None = None
    progress: bool = True
    club: str | None = None
    learn_from: tuple[Path, ...] = ()
    units: str | None = None


def notebook_folder() -> Path:
    """Where the notebooks are: beside the package in a checkout, inside it when installed."""
    beside = Path(__file__).resolve().parents[1] / "notebooks"
    if beside.is_dir():
        return beside
    with as_file(files("woodlab").joinpath("notebooks")) as inside:
        return inside


def run_season(book_path: Path, out: Path, options: SeasonOptions | None = None) -> Path:
    """Run the notebooks on a book, write them as .ipynb and .html, and the article beside them.

    Parameters
    ----------
    book_path, out : Path
        The record book, and the folder to write. An earlier season in it is replaced, files of
        your own beside it are kept; any other folder that is not empty is refused.
    options : SeasonOptions, optional

    Returns
    -------
    Path
        `out`, complete. If anything fails it is as it was before.

    Raises
    ------
    RecordError
        If the book has faults.
    WoodlabError
        If `out` cannot be used, or a notebook fails; the message names the notebook and cell.
    """
    options = options or SeasonOptions()
    book_path, out = behind(book_path), behind(out)
    book = open_book(book_path)
    if options.units:
        book = replace(book, units=SHOWN_UNITS[options.units])
    _check(book, book_path, out, options)
    try:
        with whole_folder(out, MARK, OURS) as partial:
            _fill(book, book_path, partial, options)
    except (WoodlabError, MemoryError):
        raise
    except Exception as error:
        raise WorkError(
            f"The season could not be finished ({type(error).__name__}: {str(error)[:300]}). What "
            f"stood in {out} before is untouched."
        ) from error
    return out


def _check(book: RecordBook, book_path: Path, out: Path, options: SeasonOptions) -> None:
    """What would stop the run at its end is better said at its beginning."""
    from woodlab.article.say import locale_of

    locale_of(options.locale)
    if not len(book.pieces):
        raise WoodlabError(
            f"{book.name} holds no pieces yet, so there is nothing to write about. Add pieces and "
            "weighings first."
        )
    if not len(book.until(options.as_of).pieces):
        raise WoodlabError(
            f"On {options.as_of} no piece of this book was turned yet. Give a later day."
        )
    if book_path.is_relative_to(out) or out.is_relative_to(book_path):
        raise WoodlabError(
            f"{out} holds the record book or lies in it. Choose another folder with --out, so "
            "that records and results stay apart."
        )
    check_replaceable(out, MARK)


def _fill(book: RecordBook, book_path: Path, folder: Path, options: SeasonOptions) -> None:
    """One fit, from which everything else is read; notebooks run beside the article and pages."""
    from woodlab.pages.notebook import write_page
    from woodlab.pages.page import write_pages, write_plain
    from woodlab.pages.pictures import draw

    chosen = [
        path
        for path in sorted(notebook_folder().glob("[0-9]*_*.ipynb"))
        if path.stem not in NOT_OF_A_SEASON
        and (options.notebooks is None or path.stem.split("_")[0] in options.notebooks)
    ]
    book = book.until(options.as_of)
    with tqdm(total=len(chosen) + 3, disable=not options.progress, unit="step") as bar:
        given = {"book_path": str(book_path), "as_of": options.as_of, "units": options.units,
                 "fits_path": str(folder / FITS)}  # fmt: skip
        article = {name: str(folder / "article") for name in ("article_path", "written")}
        running: dict[Any, Path] = {}
        with one_kernel() as run, _shared():

            def begin(numbers: str) -> None:
                for path in sorted(chosen, key=lambda path: numbers.find(path.stem[0])):
                    if path.stem[0] in numbers:
                        running[run(path, folder / path.name, given | article)] = path

            begin(WITHOUT_FITS)
            fits = _fit(book, folder, options, bar)
            begin(WITH_FITS)
            bar.set_description("notebooks, front page and article")
            facts = _facts(book, fits, options)
            _write_article(facts, fits, folder / "article", options)
            begin(ARTICLE)
            bar.update()
            figures = None if isinstance(facts, str) else draw(facts, folder / "pictures")
            bar.update()
            links = [(f"{path.stem}.html", SHORT.get(path.stem[0], path.stem)) for path in chosen]
            for done in as_completed(running):
                done.result()
                bar.set_description(running[done].stem)
                write_page(folder / running[done].name, links)
                _moved(folder / running[done].name, folder)
                bar.update()
        if isinstance(facts, str):
            write_plain(book, folder, facts, options.club)
        else:
            write_pages(facts, folder, figures)
        made = {"made_by": f"woodlab {woodlab.__version__}", "book": book.name, "hash": book.hash}
        (folder / MARK).write_text(json.dumps(made, indent=1), encoding="utf-8")


@contextmanager
def _shared() -> Iterator[None]:
    """Each question asked once, by whichever of pages and notebooks comes first."""
    with tempfile.TemporaryDirectory() as kept, shared(Path(kept)), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _fit(book: RecordBook, folder: Path, options: SeasonOptions, bar: tqdm) -> DryingFits:
    """The season's one fit, saved where the notebooks load it from."""
    from woodlab.drying.fit.fitting import fit_drying

    if options.progress:
        bar.write(PREPARING, file=sys.stderr)
    bar.set_description("drying model")
    fits = fit_drying(book, as_of=options.as_of, experience=[*map(str, options.learn_from)] or None)
    fits.save(folder / FITS)
    bar.update()
    return fits


def _moved(notebook: Path, folder: Path) -> None:
    """The parameters as they hold once the folder is at its place: its own files by their names."""
    text = notebook.read_text(encoding="utf-8")
    for form in {json.dumps(f"{folder}{os.sep}")[1:-1], f"{folder}{os.sep}"}:
        text = text.replace(form, "")
    notebook.write_text(text, encoding="utf-8")


def _write_article(facts: Any, fits: DryingFits, folder: Path, options: SeasonOptions) -> None:
    """The article, of what the front page has asked already, with a way back to that page."""
    from woodlab.article.write import write_article

    asked = fits if isinstance(facts, str) else facts
    write_article(asked, folder, locale=options.locale, paper=options.paper)
    page = folder / "article.html"
    text = page.read_text(encoding="utf-8")
    page.write_text(re.sub(r"<body[^>]*>", rf"\g<0>{BACK}", text, count=1), encoding="utf-8")


def _facts(book: RecordBook, fits: DryingFits, options: SeasonOptions) -> Any:
    """What the front page says, or the words why there is nothing for it to say."""
    from woodlab.pages.facts import gather

    try:
        return gather(book, options.as_of, fits=fits, club=options.club)
    except WoodlabError as error:  # a book too young for any curve still has its pages
        return str(error)
