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
OWN_FILES = ("shape.lua", "typst.lua", "article.html")
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
    import pypandoc
    import typst

    if name == "md":
        return
    widths = {figure: f"{cm:.4g}cm" for figure, cm in widths_cm.items()}
    files = {**dress.files, **{own: own_file(own) for own in OWN_FILES}}
    files["head.html"] = b"<style>\n" + dress.files["article.css"] + b"\n</style>\n"
    files["widths.json"] = json.dumps({"widths": widths}).encode()
    with TemporaryDirectory(prefix=".look", dir=folder) as look:
        for file, content in files.items():
            (Path(look) / file).write_bytes(content)
        apart = "--shift-heading-level-by=-1"  # the title is no heading
        out, to, *options = {
            "docx": ("article.docx", "docx", apart, f"--reference-doc={look}/reference.docx"),
            "html": ("article.html", "html5", "--standalone", "--embed-resources",
                     f"--template={look}/article.html", f"--include-in-header={look}/head.html"),
            "pdf": ("article.typ", "typst", apart, "--standalone", f"--template={look}/article.typ",
                    f"--lua-filter={look}/typst.lua", f"--metadata-file={look}/widths.json",
                    f"--variable=papersize={dress.paper}", f"--variable=lang={dress.language[:2]}"),
        }[name]  # fmt: skip
        done = subprocess.run(
            [str(pypandoc.get_pandoc_path()), "--from", READER, "--to", to,
             f"--lua-filter={look}/shape.lua", *options, f"--metadata=lang={dress.language}",
             f"--output={out}", "article.md"], cwd=folder, capture_output=True, check=False,
        )  # fmt: skip
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip()
        raise WorkError(f"pandoc could not write {to}: {said}")
    if name == "pdf":
        source = folder / out
        try:
            typst.compile(str(source), output=str(folder / "article.pdf"), root=str(folder))
        except RuntimeError as error:
            raise WorkError(f"typst could not set the article as PDF: {error}") from error
        finally:
            source.unlink()
