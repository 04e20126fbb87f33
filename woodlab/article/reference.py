"""The DOCX reference: pandoc's own, with our page, fonts and the style of a box.

An editor's template with styles of the same names (`Title`, `Heading 1`, `Body Text`,
`Image Caption`, `Table Caption`, `Box`) restyles the article; so does a copy of this one.
"""

from __future__ import annotations

import io
import subprocess
import zipfile
from pathlib import Path
from xml.etree import ElementTree

_W = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"
_INK = "1B2949"

# Width and height of the sheet in twentieths of a point.
_SHEETS = {"a4": (11906, 16838), "us-letter": (12240, 15840)}
_MARGIN = 1134  # 20 mm

_FONT = '<w:rFonts w:ascii="Times New Roman" w:hAnsi="Times New Roman" w:cs="Times New Roman"/>'
_CAPTION = '<w:rPr><w:i w:val="0"/><w:sz w:val="18"/><w:color w:val="4A4A46"/></w:rPr>'


def _heading(size: int, before: int, after: int) -> str:
    return (
        f'<w:pPr><w:keepNext/><w:keepLines/><w:spacing w:before="{before}" w:after="{after}"/>'
        f'</w:pPr><w:rPr>{_FONT}<w:b/><w:color w:val="{_INK}"/><w:sz w:val="{size}"/></w:rPr>'
    )


# What replaces the paragraph and run settings of pandoc's styles, by their ids.
_STYLES = {
    "Title": f'<w:pPr><w:spacing w:after="200"/><w:jc w:val="left"/></w:pPr>'
    f'<w:rPr>{_FONT}<w:b/><w:color w:val="{_INK}"/><w:sz w:val="38"/></w:rPr>',
    "BodyText": '<w:pPr><w:spacing w:before="0" w:after="120" w:line="257" w:lineRule="auto"/>'
    "</w:pPr>",
    "Compact": '<w:pPr><w:spacing w:before="20" w:after="20"/></w:pPr>'
    '<w:rPr><w:sz w:val="18"/></w:rPr>',
    "Heading1": _heading(26, 260, 80),
    "Heading2": _heading(22, 200, 60),
    "Caption": f'<w:pPr><w:spacing w:before="60" w:after="180"/></w:pPr>{_CAPTION}',
    "TableCaption": '<w:pPr><w:keepNext/><w:spacing w:before="160" w:after="60"/></w:pPr>'
    + _CAPTION,
    "CaptionedFigure": '<w:pPr><w:keepNext/><w:spacing w:before="120" w:after="0"/>'
    '<w:jc w:val="center"/></w:pPr>',
}
_BOX = (
    f'<w:style xmlns:w="{_W}" w:type="paragraph" w:customStyle="1" w:styleId="Box">'
    '<w:name w:val="Box"/><w:basedOn w:val="BodyText"/><w:qFormat/><w:pPr>'
    '<w:pBdr><w:left w:val="single" w:sz="24" w:space="8" w:color="1B2949"/></w:pBdr>'
    '<w:shd w:val="clear" w:color="auto" w:fill="EEF1F4"/>'
    '<w:spacing w:before="160" w:after="120"/><w:ind w:left="227" w:right="113"/></w:pPr>'
    '<w:rPr><w:sz w:val="19"/></w:rPr></w:style>'
)


def write_reference(path: Path, paper: str = "a4") -> Path:
    """Write the reference DOCX for "a4" or "us-letter" to `path`."""
    from woodlab.article.render import _pandoc_path

    done = subprocess.run(
        [_pandoc_path(), "--print-default-data-file", "reference.docx"],
        capture_output=True, check=True,
    )  # fmt: skip
    with zipfile.ZipFile(io.BytesIO(done.stdout)) as source, zipfile.ZipFile(path, "w") as target:
        for item in source.infolist():
            content = source.read(item)
            if item.filename == "word/styles.xml":
                content = _restyled(content)
            elif item.filename == "word/document.xml":
                content = _on_paper(content, paper)
            target.writestr(item, content, zipfile.ZIP_DEFLATED)
    return path


def _restyled(content: bytes) -> bytes:
    root = _parsed(content)
    for default in root.iter(f"{{{_W}}}rPrDefault"):
        run = default.find(f"{{{_W}}}rPr")
        assert run is not None
        for child in list(run):
            if child.tag in (f"{{{_W}}}rFonts", f"{{{_W}}}sz", f"{{{_W}}}szCs"):
                run.remove(child)
        run[:0] = _elements(f'{_FONT}<w:sz w:val="20"/><w:szCs w:val="20"/>')
    for style in root.iter(f"{{{_W}}}style"):
        settings = _STYLES.get(str(style.get(f"{{{_W}}}styleId")))
        if settings is None:
            continue
        for child in list(style):
            if child.tag in (f"{{{_W}}}pPr", f"{{{_W}}}rPr"):
                style.remove(child)
        style.extend(_elements(settings))
    root.append(ElementTree.fromstring(_BOX))
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)


def _on_paper(content: bytes, paper: str) -> bytes:
    root = _parsed(content)
    body = root.find(f"{{{_W}}}body")
    assert body is not None
    for child in list(body):
        if child.tag.endswith("sectPr"):
            body.remove(child)
    width, height = _SHEETS[paper]
    body.extend(
        _elements(
            f'<w:sectPr><w:pgSz w:w="{width}" w:h="{height}"/><w:pgMar w:top="907" '
            f'w:bottom="907" w:left="{_MARGIN}" w:right="{_MARGIN}" w:header="567" '
            'w:footer="567" w:gutter="0"/></w:sectPr>'
        )
    )
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)


def _parsed(content: bytes) -> ElementTree.Element:
    for _, (prefix, address) in ElementTree.iterparse(io.BytesIO(content), events=["start-ns"]):
        ElementTree.register_namespace(prefix, address)
    return ElementTree.fromstring(content)


def _elements(text: str) -> list[ElementTree.Element]:
    return list(ElementTree.fromstring(f'<w:x xmlns:w="{_W}">{text}</w:x>'))
