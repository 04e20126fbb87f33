"""From one Markdown text to DOCX, HTML and PDF: pandoc for the first two, typst for the last."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

from woodlab.errors import WoodlabError, WorkError

# Plain Markdown with tables, figures and boxes; nothing in it is code of an output format.
READER = (
    "markdown-raw_html-raw_tex-raw_attribute-tex_math_dollars-citations-smart-yaml_metadata_block"
    "-inline_notes-footnotes-emoji-latex_macros-example_lists-definition_lists"
)
PAPERS = ("a4", "us-letter")
FORMATS = ("docx", "html", "pdf", "md")
TEMPLATE_FILES = ("article.md.j2", "box.md.j2", "article.css", "article.typ", "reference.docx")


@dataclass(frozen=True)
class Dress:
    """What gives an article its look: the template's files by name, the paper, the language."""

    files: Mapping[str, bytes]
    paper: str
    language: str


def dressed(template: str | Path | None, paper: str, language: str) -> Dress:
    """The kit's own template, each of its files replaced by the user's where there is one.

    Raises
    ------
    WoodlabError
        If the paper is not known or there is no such template.
    """
    if paper not in PAPERS:
        raise WoodlabError(f"paper is one of {', '.join(PAPERS)}; found {paper!r}.")
    found = {name: own_file(name, paper) for name in TEMPLATE_FILES}
    path = Path(template) if template is not None else None
    if path is not None and path.is_dir():
        found |= {n: (path / n).read_bytes() for n in found if (path / n).is_file()}
    elif path is not None and path.is_file():
        found["article.md.j2"] = path.read_bytes()
    elif path is not None:
        raise WoodlabError(
            f"there is no template {path}. woodlab.article.copy_template(folder) writes one."
        )
    return Dress(found, paper, language)


def own_file(name: str, paper: str = "a4") -> bytes:
    """One of the files in `woodlab/article/templates`; the DOCX reference has one a paper."""
    name = f"reference_{paper}.docx" if name == "reference.docx" else name
    return files("woodlab.article").joinpath("templates", name).read_bytes()


def render(folder: Path, name: str, dress: Dress, widths_cm: Mapping[str, float]) -> None:
    """Write `folder/article.<name>` from `folder/article.md`; figures beside it are used.

    Raises
    ------
    WorkError
        When the converter fails; with its own words.
    """
    if name == "md":
        return
    with TemporaryDirectory(prefix=".look", dir=folder) as beside:
        look = Path(beside)
        for file in ("shape.lua", "typst.lua", "article.html"):
            (look / file).write_bytes(own_file(file))
        for file in ("article.typ", "reference.docx"):
            (look / file).write_bytes(dress.files[file])
        (look / "head.html").write_bytes(
            b"<style>\n" + dress.files["article.css"] + b"\n</style>\n"
        )
        widths = {figure: f"{cm:.4g}cm" for figure, cm in widths_cm.items()}
        (look / "widths.json").write_text(json.dumps({"widths": widths}))
        title_apart = "--shift-heading-level-by=-1"
        if name == "docx":
            options = [title_apart, f"--reference-doc={look}/reference.docx"]
        elif name == "html":
            options = ["--standalone", "--embed-resources", f"--template={look}/article.html",
                       f"--include-in-header={look}/head.html"]  # fmt: skip
        else:
            options = [title_apart, "--standalone", f"--template={look}/article.typ",
                       f"--lua-filter={look}/typst.lua", f"--metadata-file={look}/widths.json",
                       f"--variable=papersize={dress.paper}",
                       f"--variable=lang={dress.language[:2]}"]  # fmt: skip
        to = {"html": "html5", "pdf": "typst"}.get(name, name)
        out = "article.typ" if name == "pdf" else f"article.{name}"
        _pandoc(folder, to, f"--lua-filter={look}/shape.lua", f"--metadata=lang={dress.language}",
                f"--output={out}", *options)  # fmt: skip
    if name == "pdf":
        _typeset(folder / "article.typ")


def _typeset(source: Path) -> None:
    import typst

    try:
        typst.compile(str(source), output=str(source.with_suffix(".pdf")), root=str(source.parent))
    except RuntimeError as error:
        raise WorkError(f"typst could not set the article as PDF: {error}") from error
    finally:
        source.unlink()


def _pandoc(folder: Path, to: str, *options: str) -> None:
    import pypandoc

    command = [str(pypandoc.get_pandoc_path()), "--from", READER, "--to", to, *options,
               "article.md"]  # fmt: skip
    done = subprocess.run(command, cwd=folder, capture_output=True, check=False)
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip()
        raise WorkError(f"pandoc could not write {to}: {said}")
