"""From one Markdown text to DOCX, HTML and PDF: pandoc for the first two, typst for the last."""

from __future__ import annotations

import functools
import json
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path

from woodlab.errors import WoodlabError, WorkError

# Plain Markdown with tables, figures and boxes; nothing in it is code of an output format.
READER = (
    "markdown-raw_html-raw_tex-raw_attribute-tex_math_dollars-citations-smart-yaml_metadata_block"
    "-inline_notes-footnotes-emoji-latex_macros-example_lists-definition_lists"
)
PAPERS = {"a4": "a4", "us-letter": "us-letter"}
FORMATS = ("docx", "html", "pdf", "md")


@dataclass(frozen=True)
class Dress:
    """What gives a format its look; each a file that a copy may replace (see `copy_template`)."""

    paper: str = "a4"
    language: str = "en"
    css: Path | None = None
    typst: Path | None = None
    reference_docx: Path | None = None
    widths_cm: Mapping[str, float] = field(default_factory=dict)


def render(folder: Path, name: str, dress: Dress) -> Path:
    """Write `folder/article.<name>` from `folder/article.md`; figures beside it are used.

    Raises
    ------
    WorkError
        When the converter fails; with its own words.
    """
    if name == "docx":
        return _docx(folder, dress)
    if name == "html":
        return _html(folder, dress)
    if name == "pdf":
        return _pdf(folder, dress)
    if name == "md":
        return folder / "article.md"
    raise WoodlabError(f"formats are {', '.join(FORMATS)}; found {name!r}.")


def template_text(name: str) -> str:
    """One of the files in `woodlab/article/templates`."""
    return files("woodlab.article").joinpath("templates", name).read_text(encoding="utf-8")


def reference_docx(paper: str) -> bytes:
    """The DOCX whose styles the article takes; edit it in a word processor."""
    name = f"reference_{PAPERS[paper]}.docx"
    return files("woodlab.article").joinpath("templates", name).read_bytes()


def _docx(folder: Path, dress: Dress) -> Path:
    own = dress.reference_docx
    reference = own.read_bytes() if own is not None else reference_docx(dress.paper)
    helpers = {".reference.docx": reference, ".shape.lua": template_text("shape.lua")}
    with _beside(folder, helpers):
        _pandoc(
            folder, "docx", "--reference-doc", ".reference.docx", "--lua-filter", ".shape.lua",
            "--output", "article.docx", "--metadata", f"lang={dress.language}",
        )  # fmt: skip
    return folder / "article.docx"


def _html(folder: Path, dress: Dress) -> Path:
    css = dress.css.read_text(encoding="utf-8") if dress.css else template_text("article.css")
    helpers = {
        ".article.html": template_text("article.html"),
        ".article.css": f"<style>\n{css}\n</style>\n",
        ".shape.lua": template_text("shape.lua"),
    }
    with _beside(folder, helpers):
        _pandoc(
            folder, "html5", "--standalone", "--embed-resources", "--template", ".article.html",
            "--include-in-header", ".article.css", "--lua-filter", ".shape.lua",
            "--output", "article.html", "--metadata", f"lang={dress.language}",
            title_apart=False,
        )  # fmt: skip
    return folder / "article.html"


def _pdf(folder: Path, dress: Dress) -> Path:
    import typst

    own = dress.typst.read_text(encoding="utf-8") if dress.typst else template_text("article.typ")
    widths = {"widths": {name: f"{cm:.4g}cm" for name, cm in dress.widths_cm.items()}}
    source = folder / ".article.typ"
    helpers = {
        ".article-template.typ": own, ".shape.lua": template_text("shape.lua"),
        ".typst.lua": template_text("typst.lua"), ".widths.json": json.dumps(widths),
        source.name: "",
    }  # fmt: skip
    with _beside(folder, helpers):
        _pandoc(
            folder, "typst", "--standalone", "--template", ".article-template.typ",
            "--lua-filter", ".shape.lua", "--lua-filter", ".typst.lua",
            "--metadata-file", ".widths.json", "--variable", f"papersize={PAPERS[dress.paper]}",
            "--variable", f"lang={dress.language[:2]}", "--output", source.name,
        )  # fmt: skip
        try:
            typst.compile(str(source), output=str(folder / "article.pdf"), root=str(folder))
        except RuntimeError as error:
            raise WorkError(f"typst could not set the article as PDF: {error}") from error
    return folder / "article.pdf"


@contextmanager
def _beside(folder: Path, texts: Mapping[str, str | bytes]) -> Iterator[None]:
    """Files that a converter wants beside the article, for as long as it runs."""
    for name, text in texts.items():
        (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    try:
        yield
    finally:
        for name in texts:
            (folder / name).unlink(missing_ok=True)


def _pandoc(folder: Path, to: str, *arguments: str, title_apart: bool = True) -> None:
    """Convert article.md; its first heading becomes the title where that is set apart."""
    shift = ["--shift-heading-level-by=-1"] if title_apart else []
    command = [_pandoc_path(), "--from", READER, "--to", to, *shift, *arguments, "article.md"]
    done = subprocess.run(command, cwd=folder, capture_output=True, check=False)
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip()
        raise WorkError(f"pandoc could not write {to}: {said}")


@functools.cache
def _pandoc_path() -> str:
    import pypandoc

    return str(pypandoc.get_pandoc_path())
