"""The main job: a season's records to notebooks, pages and an article, as one step."""

from __future__ import annotations

import json
import warnings
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path

from tqdm import tqdm

import woodlab
from woodlab.book.record_book import RecordBook, open_book
from woodlab.errors import WoodlabError, WorkError
from woodlab.safe_write import behind, check_replaceable, whole_folder

# What makes a folder one of ours, so that a second run may replace it.
MARK = "season.json"
# What it writes there; anything else in the folder is kept.
OURS = (MARK, "index.html", "article", "[0-9]_*.ipynb", "[0-9]_*.html")
# About the kit and not about a book: run by hand, or by the tests.
NOT_OF_A_SEASON = ("9_checks",)

# The exporter's own page loads a diagram script from the network, and has no setting for that.
_NO_DIAGRAMS = (
    "{% extends 'classic/index.html.j2' %}{% block html_head_js_mermaidjs %}{% endblock %}"
)


@dataclass(frozen=True)
class SeasonOptions:
    """How `run_season` runs: the day it looks from, whose season it is, the article's form."""

    as_of: str | None = None
    locale: str = "en"
    paper: str = "a4"
    notebooks: tuple[str, ...] | None = None
    progress: bool = True
    club: str | None = None


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
    _check_options(book, options)
    _check_target(book_path, out)
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


def _check_options(book: RecordBook, options: SeasonOptions) -> None:
    """What would stop the run at its end is better said at its beginning."""
    from woodlab.article.forms import Forms

    Forms(options.locale)
    if options.as_of is not None and len(book.until(options.as_of).pieces) == 0:
        raise WoodlabError(
            f"On {options.as_of} no piece of this book was turned yet. Give a later day."
        )
    if len(book.pieces) == 0:
        raise WoodlabError(
            f"{book.name} holds no pieces yet, so there is nothing to write about. Add pieces and "
            "weighings first."
        )


def _check_target(book_path: Path, out: Path) -> None:
    if out == book_path or book_path.is_relative_to(out) or out.is_relative_to(book_path):
        raise WoodlabError(
            f"{out} holds the record book or lies in it. Choose another folder with --out, so "
            "that records and results stay apart."
        )
    check_replaceable(out, MARK)


def _fill(book: RecordBook, book_path: Path, folder: Path, options: SeasonOptions) -> None:
    chosen = [
        path
        for path in sorted(notebook_folder().glob("[0-9]*_*.ipynb"))
        if path.stem not in NOT_OF_A_SEASON
        and (options.notebooks is None or path.stem.split("_")[0] in options.notebooks)
    ]
    bar = tqdm(total=len(chosen) + 2, disable=not options.progress, unit="step")
    with bar:
        for path in chosen:
            bar.set_description(path.stem)
            _run_notebook(path, folder / path.name, book_path, options)
            bar.update()
        bar.set_description("article")
        _write_article(book, folder / "article", options)
        bar.update()
        bar.set_description("front page")
        _write_front(book, folder, options)
        bar.update()


def _run_notebook(source: Path, target: Path, book_path: Path, options: SeasonOptions) -> None:
    import papermill
    from papermill.exceptions import PapermillExecutionError

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            papermill.execute_notebook(
                str(source),
                str(target),
                parameters={"book_path": str(book_path), "as_of": options.as_of},
                progress_bar=False,
                cwd=str(target.parent),
                kernel_name="python3",
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
        _write_page(target)


def _write_page(notebook: Path) -> None:
    """The notebook as one HTML file that asks nothing of the network."""
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(
        template_name="classic", embed_images=True, mathjax_url="", require_js_url="",
        jquery_url="", html_manager_semver_range="", widget_renderer_url="",
        raw_template=_NO_DIAGRAMS,
    )  # fmt: skip
    page, _ = exporter.from_filename(str(notebook))
    notebook.with_suffix(".html").write_text(_linked_back(page, "index.html"), encoding="utf-8")


def _linked_back(page: str, target: str) -> str:
    """The page with a link to the front page at its head; paper does without."""
    head, body, rest = page.partition("<body")
    opening, end, rest = rest.partition(">")
    link = (
        '<style media="print">.to-front{display:none}</style><p class="to-front" style="margin:'
        f'.6em 1em;font-family:sans-serif"><a href="{target}">Back to the front page</a></p>'
    )
    return f"{head}{body}{opening}{end}{link}{rest}" if body else page


def _write_article(book: RecordBook, folder: Path, options: SeasonOptions) -> None:
    from woodlab.article.write import write_article

    if options.as_of:
        book = book.until(options.as_of)
    write_article(book, folder, locale=options.locale, paper=options.paper)
    page = folder / "article.html"
    text = page.read_text(encoding="utf-8")
    page.write_text(_linked_back(text, "../index.html"), encoding="utf-8")


def _write_front(book: RecordBook, folder: Path, options: SeasonOptions) -> None:
    from woodlab.pages.facts import gather
    from woodlab.pages.page import write_pages, write_plain

    try:
        facts = gather(book, options.as_of, club=options.club)
    except WoodlabError as error:  # a book too young for any curve still has its pages
        write_plain(book, folder, str(error), options.club)
    else:
        write_pages(facts, folder)
    made = {"made_by": f"woodlab {woodlab.__version__}", "book": book.name, "hash": book.hash}
    (folder / MARK).write_text(json.dumps(made, indent=1), encoding="utf-8")
