"""`write_article`: a season's findings as Markdown, DOCX, HTML and PDF, from one template."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import woodlab
from woodlab.article.findings import Figure
from woodlab.article.forms import Forms
from woodlab.article.plain import Source, as_markdown, bullets, paragraph, table_row
from woodlab.article.render import FORMATS, PAPERS, Dress, render, template_text
from woodlab.article.story import Story, tell
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.errors import WoodlabError, as_path
from woodlab.safe_write import whole_folder

# What makes a folder an article's, and what an article is; anything else in its folder is kept.
MARK = "article.json"
OURS = (MARK, "article.md", "article.docx", "article.html", "article.pdf", "figures")
TEMPLATE_FILES = ("article.md.j2", "article.css", "article.typ")
WIDEST_FIGURE_CM = 17.0
_VERSIONS_OF = ("numpy", "pandas", "scipy", "statsmodels", "altair", "vl-convert-python",
                "pypandoc_binary", "typst", "babel")  # fmt: skip


@dataclass(frozen=True)
class _Look:
    """The template's files: ours, each replaced by the user's copy where there is one."""

    source: str
    css: Path | None = None
    typst: Path | None = None
    reference_docx: Path | None = None


def write_article(
    book: RecordBook,
    out_dir: str | Path,
    formats: Sequence[str] = FORMATS,
    *,
    template: str | Path | None = None,
    locale: str = "en",
    paper: str = "a4",
    names: bool = False,
) -> Path:
    """Write the season up: `article.md` with `figures/`, and from it DOCX, HTML and PDF.

    `article.json` lists every number of the text with its interval, the call that made it,
    the book's hash and the versions.

    Parameters
    ----------
    book : RecordBook
    out_dir : path
        The folder to write. It is written beside and swapped in: if anything fails, it is as it
        was. An earlier article is replaced; other files in its folder are kept.
    formats : sequence of {"docx", "html", "pdf", "md"}
    template : path, optional
        A Markdown template (jinja2), or a folder with any of `article.md.j2`, `article.css`,
        `article.typ` and `reference.docx`; see `woodlab.article.copy_template`.
    locale : str
        The form of numbers and dates: "en", "en_GB", "de", "fr" or any other that babel knows.
        The language of the text is the template's.
    paper : {"a4", "us-letter"}
    names : bool
        True to print the makers' names. Without it they appear nowhere in the article.

    Returns
    -------
    Path
        `out_dir`.

    Raises
    ------
    WoodlabError
        When a format, the paper, the locale or the template is not known, or `out_dir` holds
        other files and no article.
    WorkError
        When a converter or the disk fails.

    Examples
    --------
    >>> import pandas as pd, tempfile
    >>> import woodlab as wl
    >>> pieces = pd.DataFrame({"piece": ["A1"], "species": ["sugar maple"], "seal": ["none"],
    ...                        "turned_on": ["2026-03-01"], "wall_mm": [25]})
    >>> weighings = pd.DataFrame({"piece": ["A1"], "on": ["2026-03-01"], "mass_g": [1480]})
    >>> book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     made = wl.write_article(book, folder + "/article", formats=("md",))
    ...     sorted(path.name for path in made.iterdir())
    ['article.json', 'article.md']
    """
    chosen = _checked_formats(formats)
    if paper not in PAPERS:
        raise WoodlabError(f"paper is one of {', '.join(PAPERS)}; found {paper!r}.")
    forms = Forms(locale)
    look = _look(template)
    out = as_path(out_dir, "write_article")
    book = expect_book(getattr(book, "book", book), "write_article")
    story = tell(book, forms, names=names)
    with whole_folder(out, MARK, OURS) as folder:
        figures = _save_figures(story.figures, folder / "figures", forms)
        text = _fill(look.source, story, figures)
        (folder / "article.md").write_text(text, encoding="utf-8")
        dress = Dress(
            paper=paper, language=forms.locale.language, css=look.css, typst=look.typst,
            reference_docx=look.reference_docx,
        )  # fmt: skip
        for name in chosen:
            render(folder, name, dress)
        record = article_record(book, story, locale=locale, paper=paper)
        (folder / MARK).write_text(
            json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False), encoding="utf-8"
        )
        if "md" not in chosen:
            (folder / "article.md").unlink()
            shutil.rmtree(folder / "figures", ignore_errors=True)
    return out


def copy_template(folder: str | Path) -> Path:
    """Copy the article's template, styles and DOCX reference into `folder`, to be changed there.

    Raises
    ------
    WoodlabError
        When one of the files is there already: nothing is overwritten.
    """
    from woodlab.article.reference import write_reference

    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    present = [name for name in (*TEMPLATE_FILES, "reference.docx") if (target / name).exists()]
    if present:
        raise WoodlabError(f"{target} has {', '.join(present)} already. Choose another folder.")
    for name in TEMPLATE_FILES:
        (target / name).write_text(template_text(name), encoding="utf-8")
    write_reference(target / "reference.docx")
    return target


def article_record(book: RecordBook, story: Story, *, locale: str, paper: str) -> dict[str, Any]:
    """What `article.json` holds: enough to make every number again."""
    return {
        "title": story.title,
        "book": {"name": book.name, "sha256": book.hash},
        "setting": {"locale": locale, "paper": paper},
        "versions": {"woodlab": woodlab.__version__, **_versions()},
        "findings": [finding.as_record() for finding in story.findings],
        "figures": [
            {"key": figure.key, "caption": figure.caption, "alt": _alt(figure)}
            for figure in story.figures
        ],
        "not_known": list(story.unknown),
        "failed": list(story.failed),
    }


def _checked_formats(formats: Iterable[str]) -> list[str]:
    chosen = [formats] if isinstance(formats, str) else list(formats)
    unknown = [name for name in chosen if name not in FORMATS]
    if unknown or not chosen:
        raise WoodlabError(f"formats are some of {', '.join(FORMATS)}; found {chosen!r}.")
    return chosen


def _look(template: str | Path | None) -> _Look:
    if template is None:
        return _Look(template_text("article.md.j2"))
    path = Path(template)
    if path.is_dir():
        source = path / "article.md.j2"
        own = {
            "css": path / "article.css",
            "typst": path / "article.typ",
            "reference_docx": path / "reference.docx",
        }
        present = {name: file for name, file in own.items() if file.is_file()}
        text = source.read_text("utf-8") if source.is_file() else template_text(source.name)
        return _Look(text, **present)
    if not path.is_file():
        raise WoodlabError(
            f"there is no template {path}. woodlab.article.copy_template(folder) writes one."
        )
    return _Look(path.read_text(encoding="utf-8"))


def _fill(source: str, story: Story, figures: dict[str, dict[str, Any]]) -> str:
    from jinja2 import StrictUndefined, TemplateError
    from jinja2.sandbox import SandboxedEnvironment

    environment = SandboxedEnvironment(
        finalize=as_markdown, undefined=StrictUndefined, autoescape=False,
        keep_trailing_newline=True, trim_blocks=True,
    )  # fmt: skip
    environment.filters.update(paragraph=paragraph, bullets=bullets, table_row=table_row)
    try:
        return environment.from_string(source).render(**story.as_template(figures))
    except TemplateError as error:
        line = getattr(error, "lineno", None)
        where = f" (line {line})" if line else ""
        raise WoodlabError(f"the article's template cannot be filled{where}: {error}") from error


def _save_figures(
    figures: Sequence[Figure], folder: Path, forms: Forms
) -> dict[str, dict[str, Any]]:
    """Write each as SVG and PNG; what the template needs to place it, by its key."""
    from woodlab.charts.saving import printed_width_mm, save_chart

    placed: dict[str, dict[str, Any]] = {}
    if figures:
        folder.mkdir()
    for number, figure in enumerate(figures, start=1):
        stem = f"figure_{number}"
        for ending in ("svg", "png"):
            save_chart(figure.chart, folder / f"{stem}.{ending}", locale=forms.name)
        width_cm = min(WIDEST_FIGURE_CM, printed_width_mm(folder / f"{stem}.svg") / 10)
        placed[figure.key] = {
            "number": number,
            "path": Source(f"figures/{stem}.png"),
            "caption": figure.caption,
            "attributes": Source(
                f'{{#fig-{number} width={width_cm:.4g}cm alt="{as_markdown(_alt(figure))}"}}'
            ),
        }
    return placed


def _alt(figure: Figure) -> str:
    return str(figure.chart.description)


def _versions() -> dict[str, str]:
    found = {}
    for name in _VERSIONS_OF:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found
