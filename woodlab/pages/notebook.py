"""A notebook that was run, as a page to read: the answer first, code folded, still pictures."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from woodlab.charts.theme import LIVE

FRONT = ("index.html", "Front page")
SMALL_PX = 450  # a picture up to so wide shrinks on a phone; a wider one scrolls
MOST_LINES = 400_000  # characters of a picture
_SCRIPT = re.compile(r"<script\b.*?</script>", re.S)
# A sentence keeps a number and its unit on one line.
_SENTENCE = re.compile(r"<p\b.*?</p>", re.S)
_UNIT = re.compile(r"(?<=\d) (?=(?:%|mm|g|kg|in|lb|oz)(?!\w))")
# The paths of a machine in what a library printed: none belongs on a page that is passed on.
_PATHS = re.compile(
    r"(?<![\w/.:<-])(?:/(?:home|tmp|Users|root|mnt|opt|usr|var|private)(?:/[\w.@+-]+)+"
    r"|[A-Za-z]:\\(?:[\w.@+ -]+\\)*[\w.@+-]+)"
)


def write_page(
    notebook: Path, links: Iterable[tuple[str, str]] = (), *, title: str | None = None
) -> Path:
    """Write a notebook that was run as `.html` beside it.

    Parameters
    ----------
    notebook : Path
    links : iterable of (file, words)
        The other pages of the season.
    title : str, optional
        The first heading, unless given.

    Returns
    -------
    Path
        The page: one file, no script, nothing asked of the network, no path of this machine.
    """
    import nbformat
    from nbconvert import HTMLExporter

    made = nbformat.read(notebook, as_version=4)
    page = notebook.with_suffix(".html")
    for cell in made.cells:
        for output in cell.get("outputs", []):
            _still(output)
    _folded(made)
    ways = [FRONT, *links]
    with as_file(files("woodlab").joinpath("templates")) as templates:
        exporter = HTMLExporter(template_name="notebook", extra_template_basedirs=[str(templates)])
        text, _ = exporter.from_notebook_node(
            made,
            resources={
                "title": title or _title(made) or notebook.stem,
                "links": [(target, said, target == page.name) for target, said in ways],
            },
        )
    page.write_text(text, encoding="utf-8")
    return page


def _title(made: Any) -> str:
    for cell in made.cells:
        found = re.search(r"^# (.+)$", cell.source, re.M) if cell.cell_type == "markdown" else None
        if found:
            return found[1]
    return ""


def _still(output: Any) -> None:
    """Charts as their still pictures, tables that scroll inside themselves, no script."""
    data = output.get("data", {})
    if LIVE in data:
        data["text/html"] = _picture("".join(data["text/markdown"]))
    elif "text/html" in data:
        text = _SCRIPT.sub("", "".join(data["text/html"]))
        if "<table" in text and "wl-show" not in text:
            text = (
                f'<div class="wl-table" tabindex="0" role="region" aria-label="table">{text}</div>'
            )
        text = _SENTENCE.sub(lambda said: _UNIT.sub("\u00a0", said[0]), text)
        data["text/html"] = _PATHS.sub(_name, text)
    for where, key in ((data, "text/plain"), (output, "text")):
        if key in where:
            where[key] = _PATHS.sub(_name, "".join(where[key]))


def _name(path: re.Match[str]) -> str:
    """Only the last part of a path."""
    return re.split(r"[/\\]", path[0])[-1]


def _picture(img: str) -> str:
    """A chart's still picture; one of very many lines as points, so that the page stays light."""
    import vl_convert

    width, alt, body = re.findall(r'width="([^"]*)"|alt="([^"]*)"|base64,([^"]*)"', img)
    if len(body[2]) > MOST_LINES:
        svg = base64.b64decode(body[2]).decode("utf-8")
        png = base64.b64encode(vl_convert.svg_to_png(svg, scale=1.3)).decode("ascii")
        img = img.replace(f"svg+xml;base64,{body[2]}", f"png;base64,{png}")
    small = " small" if float(width[0]) <= SMALL_PX else ""
    said = alt[1].partition(". ")[0]  # escaped already
    return f'<div class="wl-pic{small}" tabindex="0" role="group" aria-label="{said}">{img}</div>'


def _folded(made: Any) -> None:
    """Sections in which no cell has anything to show become one sentence at the end."""
    import nbformat

    sections: list[list[Any]] = [[]]
    for cell in made.cells:
        if cell.cell_type == "markdown" and cell.source.startswith("## "):
            sections.append([])
        sections[-1].append(cell)
    kept, gone = list(sections[0]), []
    for section in sections[1:]:
        outputs = [o for c in section if c.cell_type == "code" for o in c.outputs]
        if outputs and all(_is_nothing(output) for output in outputs):
            gone.append(section[0].source.splitlines()[0][3:].strip())
        else:
            kept += section
    if gone:
        said = "; ".join(gone).removesuffix("?")
        kept.append(
            nbformat.v4.new_markdown_cell(f"Left out, since the records do not hold it: {said}.")
        )
    made.cells = kept


def _is_nothing(output: Any) -> bool:
    return 'class="wl-none"' in "".join(output.get("data", {}).get("text/html", ""))
