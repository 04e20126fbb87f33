"""`write_article`: a season's findings as Markdown, DOCX, HTML and PDF, from one template."""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any

import woodlab
from woodlab.article.facts import gather
from woodlab.article.parts import Figure
from woodlab.article.render import FORMATS, TEMPLATE_FILES, dressed, own_file, render
from woodlab.article.say import BRITISH, Say, locale_of, unmarked
from woodlab.article.story import Story, tell
from woodlab.book.record_book import RecordBook
from woodlab.drying.fit.results import DryingFits
from woodlab.errors import WoodlabError, as_path
from woodlab.pages.facts import Season
from woodlab.safe_write import whole_folder
from woodlab.show import answering_in

# What makes a folder an article's, and what an article is; anything else in its folder is kept.
MARK = "article.json"
OURS = (MARK, "article.md", "article.docx", "article.html", "article.pdf", "box.md", "figures")
WIDEST_FIGURE_CM = 12.0
_VERSIONS_OF = ("numpy", "pandas", "scipy", "statsmodels", "altair", "vl-convert-python",
                "pypandoc_binary", "typst", "babel")  # fmt: skip


def write_article(
    fits_or_book: DryingFits | RecordBook | Season,
    out_dir: str | Path,
    formats: Sequence[str] = FORMATS,
    *,
    template: str | Path | None = None,
    locale: str = BRITISH,
    paper: str = "a4",
    names: bool = False,
) -> Path:
    """Write the season up: `article.md` with `figures/`, and from it DOCX, HTML and PDF.

    `box.md` is the same in 120 words. `article.json` lists every number of the text with its
    interval, the call that made it, the book's hash and the versions. See docs/article.md.

    Parameters
    ----------
    fits_or_book : DryingFits or RecordBook
        Fits from `fit_drying(book)`; a book is fitted first, once. What the front page asked of a
        season already (a `Season`) is not asked again.
    out_dir : path
        The folder to write: swapped in when all is done, so that a failure leaves it as it was.
        An earlier article is replaced; other files in its folder are kept.
    formats : sequence of {"docx", "html", "pdf", "md"}
    template : path, optional
        A Markdown template (jinja2), or a folder with any of `article.md.j2`, `box.md.j2`,
        `article.css`, `article.typ` and `reference.docx`; see `woodlab.article.copy_template`.
    locale : str
        The form of numbers and dates: "en_GB", "en_US", "de" or any other that babel knows.
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
    chosen = [formats] if isinstance(formats, str) else list(formats)
    if not chosen or not set(chosen) <= set(FORMATS):
        raise WoodlabError(f"formats are some of {', '.join(FORMATS)}; found {chosen!r}.")
    form = locale_of(locale)
    dress = dressed(template, paper, form.language)
    out = as_path(out_dir, "write_article")
    facts = gather(fits_or_book)
    say = Say(facts.book.hash, form, facts.book.units)
    with answering_in(facts.book.units):
        story = tell(facts, say, names=names)
    with whole_folder(out, MARK, OURS) as folder:
        widths_cm = _save_figures(story.figures, folder / "figures", locale)
        for name in ("article.md", "box.md"):
            text = fill(dress.files[f"{name}.j2"].decode(), story, say)
            (folder / name).write_text(text, encoding="utf-8")
        for name in chosen:
            render(folder, name, dress, widths_cm)
        setting = {"setting": {"locale": locale, "paper": paper}}
        record = article_record(facts.book, story, say) | setting
        text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False)
        (folder / MARK).write_text(text, encoding="utf-8")
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
    present = [name for name in TEMPLATE_FILES if (target / name).exists()]
    if present:
        raise WoodlabError(f"{target} has {', '.join(present)} already. Choose another folder.")
    for name in TEMPLATE_FILES:
        (target / name).write_bytes(own_file(name))
    return target


def article_record(book: RecordBook, story: Story, say: Say) -> dict[str, Any]:
    """What `article.json` holds: enough to make every number that was printed again."""
    title = unmarked(story.title)
    return {
        "title": f"{title} (invented records)" if story.invented else title,
        "invented": book.invented,
        "book": {"name": book.name, "sha256": book.hash},
        "versions": {"woodlab": woodlab.__version__, **{n: version(n) for n in _VERSIONS_OF}},
        "numbers": [number.as_record() for number in say.printed],
        "figures": [{"caption": unmarked(f.caption), "alt": f.alt} for f in story.figures],
        "not_known": [unmarked(p) for b in story.boxes if b.key == "unknown" for p in b.points],
        "box": unmarked(f"{story.box_title}. {story.box}"),
    }


def fill(source: str, story: Story, say: Say) -> str:
    """A template with the story in it; whatever it prints is plain characters."""
    from jinja2 import StrictUndefined, TemplateError
    from jinja2.sandbox import SandboxedEnvironment

    environment = SandboxedEnvironment(
        finalize=say.as_printed, undefined=StrictUndefined, autoescape=False,
        keep_trailing_newline=True, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["table_row"] = say.table_row
    try:
        return environment.from_string(source).render(**vars(story))
    except TemplateError as error:
        line = getattr(error, "lineno", None)
        where = f" (line {line})" if line else ""
        raise WoodlabError(f"the article's template cannot be filled{where}: {error}") from error


def _save_figures(figures: Sequence[Figure], folder: Path, locale: str) -> dict[str, float]:
    """Write each as SVG and PNG, in colour and in grey; their widths in print [cm], by name."""
    from woodlab.charts.saving import printed_width_mm, save_chart, spec_of

    widths = {}
    for figure in figures:
        (folder / "grey").mkdir(parents=True, exist_ok=True)
        spec = spec_of(figure.chart)
        for file in (f"{figure.name}.svg", f"{figure.name}.png"):
            save_chart(spec, folder / file, locale=locale, look="light")
            save_chart(spec, folder / "grey" / file, locale=locale, look="grey")
        width_mm = printed_width_mm(folder / f"{figure.name}.svg")
        widths[figure.name] = min(WIDEST_FIGURE_CM, width_mm / 10)
    return widths
