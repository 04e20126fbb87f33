"""The article as files: the same words in each, nothing out of its box, nothing half-written."""

import hashlib
import html.parser
import re
import shutil
import struct
import subprocess
import warnings
import zipfile
from collections import Counter
from xml.etree import ElementTree

import article_books as books
import numpy as np
import pypandoc
import pypdf
import pytest

import woodlab as wl
from woodlab.article import copy_template, write
from woodlab.article.render import READER
from woodlab.errors import WoodlabError, WorkError
from woodlab.studies import cautions

MAKER = "Quillon Fennimore-Achterberg"
W = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"
WP = "{http://schemas.openxmlformats.org/drawingml/2006/wordprocessingDrawing}"
A = "{http://schemas.openxmlformats.org/drawingml/2006/main}"
R = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"


def season(rename=None, kind="two_seasons"):
    """One of the invented books, its makers and notes with it, names changed where asked."""
    made = books.BOOKS[kind]()
    for bowl in made.bowls:
        bowl |= {"maker": MAKER, "note": "a note on the piece"}
        for column, names in (rename or {}).items():
            bowl[column] = names.get(bowl[column], bowl[column])
    given = lambda name, column: (rename or {}).get(column, {}).get(name, name)  # noqa: E731
    made.cracked = {given(piece, "piece"): day for piece, day in made.cracked.items()}
    made.glued = tuple(given(piece, "piece") for piece in made.glued)
    made.ratios = {given(seal, "seal"): row for seal, row in made.ratios.items()}
    return books.facts(made)


@pytest.fixture(scope="module", autouse=True)
def asked_once():
    """`write_article` takes facts as they come: what the studies say is tested elsewhere."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(write, "gather", lambda facts: facts)
        yield


@pytest.fixture(scope="module")
def article(tmp_path_factory):
    out = tmp_path_factory.mktemp("a4") / "article"
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)  # no study may fail in silence
        return wl.write_article(season(), out)


@pytest.fixture(scope="module")
def md(article):
    return (article / "article.md").read_text(encoding="utf-8")


def plain(md_text):
    """The words of a Markdown article as a reader sees them: without its pictures' alt texts."""
    md_text = re.sub(r"^!\[.*\]\(\S+\)$", "", md_text, flags=re.M)
    done = subprocess.run(
        [pypandoc.get_pandoc_path(), "--from", READER, "--to", "plain", "--wrap=none"],
        input=md_text.encode(), capture_output=True, check=True,
    )  # fmt: skip
    return done.stdout.decode()


def words_of(text):
    # without hyphens: at the end of a line a reader of PDF takes them for its own
    return Counter(re.findall(r"[\w%]+", re.sub(r"-\s*", "", text)))


def need(program):
    path = shutil.which(program)
    if path is None:
        pytest.skip(f"there is no {program} on this machine: that part was not looked at")
    return path


def pdf_text(path):
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


def pages_of(path):
    pages = pypdf.PdfReader(path).pages
    return len(pages), [round(float(side)) for side in pages[0].mediabox[2:]]


@pytest.fixture(scope="module")
def office_pdf(article, office):
    """The DOCX as an office program prints it."""
    folder = article
    return office("pdf", folder / "article.docx", folder.parent / "office")


# --- the same words -----------------------------------------------------------------------------


def missing_words(said, wanted):
    return {word: count - said[word] for word, count in wanted.items() if said[word] < count}


def test_the_pdf_has_every_word_of_the_source(article, md):
    assert missing_words(words_of(pdf_text(article / "article.pdf")), words_of(plain(md))) == {}


def test_the_docx_as_the_office_prints_it_has_every_word(md, office_pdf):
    assert missing_words(words_of(pdf_text(office_pdf)), words_of(plain(md))) == {}


class Page(html.parser.HTMLParser):
    """Text, tags and pictures of an HTML page."""

    def __init__(self):
        super().__init__()
        self.tags, self.words, self.pictures, self._skip = Counter(), [], [], 0

    def handle_starttag(self, tag, attrs):
        self.tags[tag] += 1
        self._skip += tag in ("style", "title")
        if tag == "img":
            self.pictures.append(dict(attrs))

    def handle_endtag(self, tag):
        self._skip -= tag in ("style", "title")

    def handle_data(self, data):
        if not self._skip:
            self.words.append(data)


def html_page(folder):
    page = Page()
    page.feed((folder / "article.html").read_text(encoding="utf-8"))
    return page


def test_the_html_has_every_word_and_asks_for_nothing(article, md):
    page = html_page(article)
    assert missing_words(words_of(" ".join(page.words)), words_of(plain(md))) == {}
    assert not {"script", "link", "iframe", "object", "embed", "form"} & set(page.tags)
    assert page.tags["h1"] == 1
    assert page.tags["table"] == 1
    assert page.tags["blockquote"] == 0
    assert page.pictures
    for picture in page.pictures:
        assert picture["src"].startswith("data:image/svg+xml")
        assert len(picture["alt"]) > 30


# --- form ---------------------------------------------------------------------------------------


def test_it_is_at_most_two_pages_of_the_paper(article, tmp_path):
    count, size = pages_of(article / "article.pdf")
    assert size == [595, 842]
    assert 1 <= count <= 2
    letter = wl.write_article(small(), tmp_path / "a", ("pdf", "docx"), paper="us-letter")
    assert pages_of(letter / "article.pdf")[1] == [612, 792]
    with zipfile.ZipFile(letter / "article.docx") as docx:
        assert b'w:w="12240"' in docx.read("word/document.xml")


def test_boxes_stand_side_by_side(article):
    """Read from the page: the cautions beside the other boxes, at one height."""
    heads = {"What": [], "Next": [], "How": [], "Take": []}
    for box, words in boxes(article / "article.pdf"):
        for word, following, place in zip(words, words[1:], box, strict=False):
            if (word, following) in (("What", "we"), ("Next", "season"), ("How", "it"),
                                     ("Take", "care")):  # fmt: skip
                heads[word].append(place)
    left, right = heads["What"][0], heads["Take"][0]
    assert right[0] - left[0] > 200
    assert abs(right[1] - left[1]) < 2
    assert {round(heads[name][0][0]) for name in ("Next", "How")} <= {round(left[0])}


def test_the_office_prints_as_many_pages(article, office_pdf):
    assert abs(pages_of(article / "article.pdf")[0] - pages_of(office_pdf)[0]) <= 1


def ink_in_margins(pdf, margin_mm, tmp_path):
    """Whether anything is drawn within so many millimetres of the left or right edge."""
    stem = tmp_path / "page"
    subprocess.run([need("pdftoppm"), "-r", "72", "-gray", str(pdf), str(stem)], check=True)
    width = round(margin_mm / 25.4 * 72)
    found = []
    for path in sorted(tmp_path.glob("page*.pgm")):
        head, columns, rows, _, data = path.read_bytes().split(maxsplit=4)
        assert head == b"P5"
        grey = np.frombuffer(data, np.uint8).reshape(int(rows), int(columns))
        found.append(bool((grey[:, :width] < 250).any() or (grey[:, -width:] < 250).any()))
    return found


@pytest.mark.parametrize("made_by", ["typst", "office"])
def test_nothing_runs_out_of_the_page(made_by, article, tmp_path, request):
    pdf = article / "article.pdf"
    pdf = pdf if made_by == "typst" else request.getfixturevalue("office_pdf")
    assert not any(ink_in_margins(pdf, 18, tmp_path))


def boxes(pdf):
    said = subprocess.run(
        [need("pdftotext"), "-bbox", str(pdf), "-"], capture_output=True, check=True
    ).stdout.decode()
    for page in said.split("<page ")[1:]:
        found = re.findall(
            r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">(.*?)</word>', page
        )
        yield np.array([[float(v) for v in row[:4]] for row in found]), [row[4] for row in found]


@pytest.mark.parametrize("made_by", ["typst", "office"])
def test_no_word_lies_upon_another(made_by, article, request):
    pdf = article / "article.pdf"
    pdf = pdf if made_by == "typst" else request.getfixturevalue("office_pdf")
    for box, words in boxes(pdf):
        if len(box):
            left = np.maximum(box[:, None, 0], box[None, :, 0])
            right = np.minimum(box[:, None, 2], box[None, :, 2])
            low = np.maximum(box[:, None, 1], box[None, :, 1])
            high = np.minimum(box[:, None, 3], box[None, :, 3])
            tall = (box[:, 3] - box[:, 1])[:, None]
            upon = (right - left > 1.0) & (high - low > 0.5 * tall)
            np.fill_diagonal(upon, False)
            assert not upon.any(), [words[i] for i in np.flatnonzero(upon.any(axis=1))[:6]]


def test_the_docx_has_styles_a_real_table_and_sharp_pictures_with_alt_text(article):
    with zipfile.ZipFile(article / "article.docx") as docx:
        document = ElementTree.fromstring(docx.read("word/document.xml"))
        styles = ElementTree.fromstring(docx.read("word/styles.xml"))
        links = ElementTree.fromstring(docx.read("word/_rels/document.xml.rels"))
        target = {link.get("Id"): link.get("Target") for link in links}
        known = {style.get(f"{W}styleId") for style in styles.iter(f"{W}style")}
        used = {style.get(f"{W}val") for style in document.iter(f"{W}pStyle")}
        assert used <= known
        assert {"Title", "Heading1", "ImageCaption", "TableCaption", "Box"} <= used
        [table] = document.iter(f"{W}tbl")
        assert len(list(table.iter(f"{W}tr"))) == 4  # a heading and three seals
        pictures = list(document.iter(f"{WP}inline"))
        assert pictures
        for picture in pictures:
            alt = next(picture.iter(f"{WP}docPr")).get("descr")
            assert len(alt) > 30
            name = target[next(picture.iter(f"{A}blip")).get(f"{R}embed")]
            width_px = struct.unpack(">I", docx.read(f"word/{name}")[16:20])[0]
            width_in = int(picture.find(f"{WP}extent").get("cx")) / 914400
            assert width_px / width_in >= 299
        text = docx.read("word/document.xml").decode()
        assert "fldSimple" not in text
        assert "instrText" not in text


def test_the_pdf_is_tagged_with_the_pictures_alt_text(article):
    data = (article / "article.pdf").read_bytes()
    assert b"/StructTreeRoot" in data
    assert b"/Lang" in data


def test_the_cautions_are_whole_in_every_format(article):
    folder = article
    texts = {
        "md": plain((folder / "article.md").read_text(encoding="utf-8")),
        "html": " ".join(html_page(folder).words),
        "pdf": pdf_text(folder / "article.pdf"),
        "docx": docx_text(folder),
    }
    for name, text in texts.items():
        flat = re.sub(r"[\s\W]+", "", text)
        left_out = [c for c in cautions.ALL if re.sub(r"[\s\W]+", "", c) not in flat]
        assert left_out == [], name


def docx_text(folder):
    with zipfile.ZipFile(folder / "article.docx") as docx:
        document = ElementTree.fromstring(docx.read("word/document.xml"))
    return "".join(node.text or "" for node in document.iter(f"{W}t"))


def test_the_docx_has_every_word(article, md):
    squeezed = re.sub(r"[\s\W]+", "", docx_text(article))
    for line in plain(md).splitlines():
        if not line.startswith((" ", "-", ">")) and "  " not in line:  # a table is told apart
            assert re.sub(r"[\s\W]+", "", line) in squeezed, line


def test_an_editors_styles_restyle_the_docx(tmp_path):
    """A copy of the reference with another typeface and another colour of the headings."""
    own = copy_template(tmp_path / "own")
    before = own / "reference.docx"
    after = own / "new.docx"
    with zipfile.ZipFile(before) as source, zipfile.ZipFile(after, "w") as target:
        for item in source.infolist():
            content = source.read(item)
            if item.filename == "word/styles.xml":
                assert b"1B2949" in content
                content = content.replace(b"1B2949", b"AA5500").replace(
                    b"Times New Roman", b"Arial"
                )
            target.writestr(item, content)
    after.replace(before)
    out = wl.write_article(small(), tmp_path / "a", ("docx",), template=own)
    with zipfile.ZipFile(out / "article.docx") as docx:
        styles = docx.read("word/styles.xml").decode()
        document = docx.read("word/document.xml").decode()
    assert "AA5500" in styles
    assert "1B2949" not in styles + document
    assert "Times New Roman" not in styles + document


def test_the_markdown_is_what_a_website_takes(md):
    """No attributes, fences or captions of a converter's own: pictures, tables, quotations."""
    assert not re.search(r"^:|\{[#.]|\]\{", md, re.M)
    assert len(re.findall(r"^!\[[^\]]+\]\(figures/figure_\d\.png\)$", md, re.M)) == 2
    assert md.count("\n> **") == 4


def test_each_picture_comes_in_colour_and_in_grey_as_svg_and_sharp_png(article):
    figures = article / "figures"
    names = sorted(path.name for path in figures.iterdir() if path.is_file())
    assert names == ["figure_1.png", "figure_1.svg", "figure_2.png", "figure_2.svg"]
    assert sorted(path.name for path in (figures / "grey").iterdir()) == names
    for name in ("figure_1.svg", "figure_2.svg"):
        grey, colour = ((folder / name).read_text() for folder in (figures / "grey", figures))
        hues = {h.lower() for h in re.findall(r"#[0-9a-fA-F]{6}\b", grey)}
        assert all(h[1:3] == h[3:5] == h[5:7] for h in hues), hues
        assert grey != colour


# --- privacy and hostile names ------------------------------------------------------------------


def everything(folder):
    yield from ((path.name, path.read_text("utf-8")) for path in folder.glob("article.*")
                if path.suffix in (".md", ".html", ".json"))  # fmt: skip
    yield from ((path.name, path.read_text("utf-8")) for path in folder.glob("figures/*.svg"))
    with zipfile.ZipFile(folder / "article.docx") as docx:
        yield from ((name, docx.read(name).decode("utf-8", "replace")) for name in docx.namelist())
    if shutil.which("pdftotext"):
        yield "pdf", pdf_text(folder / "article.pdf")


def test_makers_and_notes_stay_out(article):
    for name, text in everything(article):
        assert "Fennimore" not in text, name
        assert "a note on the piece" not in text, name


def test_makers_come_in_when_the_owner_asks(tmp_path):
    out = wl.write_article(small(), tmp_path / "a", formats=("md",), names=True)
    assert MAKER in plain((out / "article.md").read_text(encoding="utf-8"))


EVIL = {
    "species": {"red oak": '<script>alert("1")</script>', "white ash": "=cmd|' /C calc'!A0"},
    "seal": {"wax on end grain": "**#image(\"/etc/hostname\")** $x$",
             "paint all over": "| # @SUM(A1)"},
    "piece": {"A1": "<img src=x onerror=alert(2)>", "A2": "../../x", "B1": "{{ title }}\\"},
    "log": {"A": "[l](javascript:alert(3))"},
    "maker": {MAKER: "<b>Ö. O'Malley</b> & {% raise %}"},
}  # fmt: skip


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_hostile_names_arrive_as_characters_in_every_format(tmp_path):
    out = wl.write_article(season(EVIL), tmp_path / "article", names=True)
    woods = [name.split()[-1] for name in EVIL["species"].values()]  # a wood by its last word
    wanted = [*woods, *EVIL["seal"].values(), *EVIL["maker"].values()]
    page = html_page(out)
    assert not {"script", "b", "a", "iframe"} & set(page.tags)
    names = {name for picture in page.pictures for name in picture}
    assert names <= {"src", "style", "alt", "role", "aria-label"}
    with zipfile.ZipFile(out / "article.docx") as docx:
        document = ElementTree.fromstring(docx.read("word/document.xml"))
        links = docx.read("word/_rels/document.xml.rels").decode()
    assert "javascript" not in links
    assert not list(document.iter(f"{W}hyperlink"))
    texts = {
        "html": "".join(page.words),
        "docx": "".join(node.text or "" for node in document.iter(f"{W}t")),
        "md": plain((out / "article.md").read_text(encoding="utf-8")),
    }
    if shutil.which("pdftotext"):
        texts["pdf"] = pdf_text(out / "article.pdf")
    for form, text in texts.items():
        flat = re.sub(r"\s+", "", text)
        for name in wanted:
            assert re.sub(r"\s+", "", name) in flat, (form, name)


# --- any book, any fault ------------------------------------------------------------------------


@pytest.mark.parametrize("locale", ["de", "en", "en_US"])
def test_dates_follow_the_locale_and_plain_english_is_british(locale, tmp_path):
    out = wl.write_article(season(), tmp_path / "article", formats=("md",), locale=locale)
    text = plain((out / "article.md").read_text(encoding="utf-8"))
    wanted = {"de": "16. August 2026", "en": "16 August 2026", "en_US": "August 16, 2026"}
    assert wanted[locale] in text


def small():
    return season(kind="one_bowl")


def fingerprint(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*")) if path.is_file()
    }  # fmt: skip


@pytest.mark.parametrize("fails_at", ["pdf", "docx", "html", "json"])
def test_a_failure_leaves_the_earlier_article_whole(fails_at, tmp_path, monkeypatch):
    book = small()
    out = wl.write_article(book, tmp_path / "article", formats=("md", "html"))
    before = fingerprint(out)

    def broken(folder, name, *look):
        (folder / f"article.{name}").write_text("half")
        if name == fails_at:
            raise WorkError("the converter broke")

    monkeypatch.setattr(write, "render", broken)
    if fails_at == "json":
        monkeypatch.setattr(write, "article_record", lambda *a, **k: {"x": object()})
    with pytest.raises((WorkError, TypeError)):
        wl.write_article(book, out)
    assert fingerprint(out) == before
    assert [path.name for path in tmp_path.iterdir()] == ["article"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"formats": ("docx", "odt")}, "formats are some of"),
        ({"formats": ()}, "formats are some of"),
        ({"paper": "a5"}, "paper is one of"),
        ({"locale": "xx"}, "not a known locale"),
        ({"template": "no such template"}, "copy_template"),
    ],
)
def test_a_wrong_request_is_answered_before_anything_is_written(options, words, tmp_path):
    with pytest.raises(WoodlabError, match=words):
        wl.write_article(small(), tmp_path / "article", **options)
    assert list(tmp_path.iterdir()) == []


def test_a_template_of_ones_own(tmp_path):
    own = copy_template(tmp_path / "own")
    assert sorted(path.name for path in own.iterdir()) == [
        "article.css", "article.md.j2", "article.typ", "box.md.j2", "reference.docx",
    ]  # fmt: skip
    with pytest.raises(WoodlabError, match="already"):
        copy_template(own)
    source = (own / "article.md.j2").read_text(encoding="utf-8")
    (own / "article.md.j2").write_text(
        source.replace("# {{ title }}", "# {{ title }} (Vorsicht)"), "utf-8"
    )
    (own / "article.css").write_text("body { color: rebeccapurple }", "utf-8")
    out = wl.write_article(small(), tmp_path / "a", ("md", "html", "docx"), template=own)
    assert "(Vorsicht)" in (out / "article.md").read_text(encoding="utf-8")
    assert "rebeccapurple" in (out / "article.html").read_text(encoding="utf-8")


def test_a_broken_template_is_said_with_its_line(tmp_path):
    path = tmp_path / "mine.md.j2"
    path.write_text("# {{ title }}\n\n{{ nonsense }}\n")
    with pytest.raises(WoodlabError, match="nonsense"):
        wl.write_article(small(), tmp_path / "a", formats=("md",), template=path)
    path.write_text("# {{ title }}\n\n{% for %}\n")
    with pytest.raises(WoodlabError, match="line 3"):
        wl.write_article(small(), tmp_path / "a", formats=("md",), template=path)
