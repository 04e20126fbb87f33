"""`write_article`: a season's findings as Markdown, DOCX, HTML and PDF, from one template."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import woodlab
from woodlab.article.facts import gather
from woodlab.article.forms import BRITISH, Forms
from woodlab.article.parts.section import Figure
from woodlab.article.plain import Source, as_markdown, bullets, paragraph, table_row
from woodlab.article.render import (
    FORMATS,
    PAPERS,
    Dress,
    reference_docx,
    render,
    template_text,
)
from woodlab.article.story import Story, tell
from woodlab.book.record_book import RecordBook
from woodlab.charts.saving import Look
from woodlab.drying.fit.results import DryingFits
from woodlab.errors import WoodlabError, as_path
from woodlab.safe_write import whole_folder

# What makes a folder an article's, and what an article is; anything else in its folder is kept.
MARK = "article.json"
OURS = (MARK, "article.md", "article.docx", "article.html", "article.pdf", "box.md", "figures")
TEMPLATE_FILES = ("article.md.j2", "box.md.j2", "article.css", "article.typ")
LOOKS: tuple[Look, ...] = ("light", "grey")
WIDEST_FIGURE_CM = 17.0
_VERSIONS_OF = ("numpy", "pandas", "scipy", "statsmodels", "altair", "vl-convert-python",
                "pypandoc_binary", "typst", "babel")  # fmt: skip


@dataclass(frozen=True)
class _Look:
    """The template's files: ours, each replaced by the user's copy where there is one."""

    source: str
    box: str
    css: Path | None = None
    typst: Path | None = None
    reference_docx: Path | None = None


def write_article(
    fits_or_book: DryingFits | RecordBook,
    out_dir: str | Path,
    formats: Sequence[str] = FORMATS,
    *,
    template: str | Path | None = None,
    locale: str = BRITISH,
    paper: str = "a4",
    names: bool = False,
) -> Path:
    """Write the season up: `article.md` with `figures/`, and from it DOCX, HTML and PDF.

    `box.md` is the same in 120 words; `figures/` holds each picture in colour and, in
    `figures/grey/`, for grey print, as SVG and as PNG of 300 dpi. `article.json` lists every
    number of the text with its interval, the call that made it, the book's hash and the versions.

    Parameters
    ----------
    fits_or_book : DryingFits or RecordBook
        Fits from `fit_drying(book)`; a book is fitted first, once.
    out_dir : path
        The folder to write. It is written beside and swapped in: if anything fails, it is as it
        was. An earlier article is replaced; other files in its folder are kept.
    formats : sequence of {"docx", "html", "pdf", "md"}
    template : path, optional
        A Markdown template (jinja2), or a folder with any of `article.md.j2`, `article.css`,
        `article.typ` and `reference.docx`; see `woodlab.article.copy_template`.
    locale : str
        The form of numbers and dates: "en_GB", "en_US", "de" or any other that babel knows. The
        text is British English.
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
    ['article.json', 'article.md', 'box.md']
    """
    chosen = _checked_formats(formats)
    if paper not in PAPERS:
        raise WoodlabError(f"paper is one of {', '.join(PAPERS)}; found {paper!r}.")
    forms = Forms(locale)
    look = _look(template)
    out = as_path(out_dir, "write_article")
    facts = gather(fits_or_book)
    book = facts.book
    story = tell(facts, forms, names=names)
    with whole_folder(out, MARK, OURS) as folder:
        figures = _save_figures(story.figures, folder / "figures", forms)
        filled = story.as_template(figures)
        (folder / "article.md").write_text(_fill(look.source, filled), encoding="utf-8")
        (folder / "box.md").write_text(_fill(look.box, filled), encoding="utf-8")
        dress = Dress(
            paper=paper, language=forms.locale.language, css=look.css, typst=look.typst,
            reference_docx=look.reference_docx,
            widths_cm={placed["name"]: placed["width_cm"] for placed in figures.values()},
        )  # fmt: skip
        for name in chosen:
            render(folder, name, dress)
        record = article_record(book, story, locale=locale, paper=paper)
        record["failed"] = list(facts.failed)
        (folder / MARK).write_text(
            json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False), encoding="utf-8"
        )
        if "md" not in chosen:
            (folder / "article.md").unlink()
    return out


def copy_template(folder: str | Path) -> Path:
    """Copy the article's template, styles and DOCX reference into `folder`, to be changed there.

    Raises
    ------
    WoodlabError
        When one of the files is there already: nothing is overwritten.
    """
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    present = [name for name in (*TEMPLATE_FILES, "reference.docx") if (target / name).exists()]
    if present:
        raise WoodlabError(f"{target} has {', '.join(present)} already. Choose another folder.")
    for name in TEMPLATE_FILES:
        (target / name).write_text(template_text(name), encoding="utf-8")
    (target / "reference.docx").write_bytes(reference_docx("a4"))
    return target


def article_record(book: RecordBook, story: Story, *, locale: str, paper: str) -> dict[str, Any]:
    """What `article.json` holds: enough to make every number again."""
    return {
        "title": story.title_alone,
        "invented": story.invented,
        "book": {"name": book.name, "sha256": book.hash},
        "setting": {"locale": locale, "paper": paper},
        "versions": {"woodlab": woodlab.__version__, **_versions()},
        "numbers": [number.as_record() for number in story.numbers],
        "figures": [
            {"key": figure.key, "caption": figure.caption, "alt": _alt(figure)}
            for figure in story.figures
        ],
        "not_known": [p for box in story.boxes if box.key == "unknown" for p in box.points],
        "box": f"{story.short[0]}. {story.short[1]}",
    }


def _checked_formats(formats: Iterable[str]) -> list[str]:
    chosen = [formats] if isinstance(formats, str) else list(formats)
    unknown = [name for name in chosen if name not in FORMATS]
    if unknown or not chosen:
        raise WoodlabError(f"formats are some of {', '.join(FORMATS)}; found {chosen!r}.")
    return chosen


def _look(template: str | Path | None) -> _Look:
    if template is None:
        return _Look(template_text("article.md.j2"), template_text("box.md.j2"))
    path = Path(template)
    if path.is_dir():
        own = {
            "css": path / "article.css",
            "typst": path / "article.typ",
            "reference_docx": path / "reference.docx",
        }
        present = {name: file for name, file in own.items() if file.is_file()}
        text, box = (
            file.read_text("utf-8") if file.is_file() else template_text(file.name)
            for file in (path / "article.md.j2", path / "box.md.j2")
        )
        return _Look(text, box, **present)
    if not path.is_file():
        raise WoodlabError(
            f"there is no template {path}. woodlab.article.copy_template(folder) writes one."
        )
    return _Look(path.read_text(encoding="utf-8"), template_text("box.md.j2"))


def _fill(source: str, names: dict[str, Any]) -> str:
    from jinja2 import StrictUndefined, TemplateError
    from jinja2.sandbox import SandboxedEnvironment

    environment = SandboxedEnvironment(
        finalize=as_markdown, undefined=StrictUndefined, autoescape=False,
        keep_trailing_newline=True, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters.update(paragraph=paragraph, bullets=bullets, table_row=table_row)
    try:
        return environment.from_string(source).render(**names)
    except TemplateError as error:
        line = getattr(error, "lineno", None)
        where = f" (line {line})" if line else ""
        raise WoodlabError(f"the article's template cannot be filled{where}: {error}") from error


def _save_figures(
    figures: Sequence[Figure], folder: Path, forms: Forms
) -> dict[str, dict[str, Any]]:
    """Write each as SVG and PNG, in colour and in grey; what the template needs, by its key."""
    from woodlab.charts.saving import printed_width_mm, save_chart

    placed: dict[str, dict[str, Any]] = {}
    if figures:
        (folder / "grey").mkdir(parents=True)
    for number, figure in enumerate(figures, start=1):
        name = f"figure_{number}"
        for look in LOOKS:
            beside = folder if look == "light" else folder / look
            for ending in ("svg", "png"):
                save_chart(figure.chart, beside / f"{name}.{ending}", locale=forms.name, look=look)
        placed[figure.key] = {
            "number": number,
            "name": name,
            "path": Source(f"figures/{name}.png"),
            "caption": figure.caption,
            "alt": _alt(figure),
            "width_cm": min(WIDEST_FIGURE_CM, printed_width_mm(folder / f"{name}.svg") / 10),
        }
    return placed


def _alt(figure: Figure) -> str:
    return figure.alt


def _versions() -> dict[str, str]:
    found = {}
    for name in _VERSIONS_OF:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found
