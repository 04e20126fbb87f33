"""The article as files: the same words in each, nothing out of its box, nothing half-written."""

import hashlib
import html.parser
import json
import re
import shutil
import struct
import subprocess
import warnings
import zipfile
from collections import Counter
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pypandoc
import pytest

import woodlab as wl
from woodlab.article import asked as story_asked
from woodlab.article import copy_template, story, write
from woodlab.article.render import READER
from woodlab.book.record_book import RecordBook
from woodlab.drying.simulate import Schedule, simulate_season
from woodlab.drying.weather import invented_air
from woodlab.errors import WoodlabError, WorkError

MAKER = "Quillon Fennimore-Achterberg"
W = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"
WP = "{http://schemas.openxmlformats.org/drawingml/2006/wordprocessingDrawing}"
A = "{http://schemas.openxmlformats.org/drawingml/2006/main}"
R = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"


def season(rename=None, **extra):
    """A small season of known truth: six logs of two species, bare and two ways of sealing."""
    seals = ["none", "wax all over", "paint all over"]
    pieces = pd.DataFrame(
        [
            {
                "piece": f"{log}{number}", "species": ["sugar maple", "white ash"][i % 2],
                "turned_on": pd.Timestamp("2025-02-01") + pd.Timedelta(days=3 * i),
                "wall_mm": 20.0 + 3 * number + i, "seal": seal, "log": log, "rim_mm": 240.0,
                "height_mm": 95.0, "maker": MAKER, "allotted": "random",
                "note": "a note on the piece",
            }
            for i, log in enumerate("ABCDEF")
            for number, seal in enumerate(seals, start=1)
        ]
    )  # fmt: skip
    air = invented_air("2025-02-01", 260, seed=3)
    plan = Schedule(weigh_later=28, last_day=240)
    book = simulate_season(pieces, air, seed=11, schedule=plan).book
    tables = {name: frame.copy() for name, frame in book.tables().items()}
    for column, names in (rename or {}).items():
        for frame in tables.values():
            if column in frame:
                frame[column] = frame[column].map(lambda v, n=names: n.get(v, v))
    return RecordBook.from_frames(name="test season", **tables)


@pytest.fixture(scope="module")
def book():
    return season()


@pytest.fixture(scope="module", autouse=True)
def asked_once():
    """The same book is studied once, however many articles are made of it."""
    known = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            story, "Asked", lambda book: known.setdefault(book.hash, story_asked.Asked(book))
        )
        yield


@pytest.fixture
def light(monkeypatch):
    """Without the two slowest studies, which the articles above have."""

    def refused(*_, **__):
        raise WoodlabError("not asked for here")

    monkeypatch.setattr(wl, "forecast_ready", refused)
    monkeypatch.setattr(wl, "seal_study", refused)


@pytest.fixture(scope="module", params=["a4", "us-letter"])
def article(request, book, tmp_path_factory):
    out = tmp_path_factory.mktemp(request.param) / "article"
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)  # no study may fail in silence
        return wl.write_article(book, out, paper=request.param), request.param


@pytest.fixture(scope="module")
def md(article):
    return (article[0] / "article.md").read_text(encoding="utf-8")


def plain(md_text):
    """The words of a Markdown article as a reader sees them: without its pictures' alt texts."""
    md_text = re.sub(r"^!\[(.*)\]\(\S+\)\{.*\}$", r"\1", md_text, flags=re.M)
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
    return subprocess.run(
        [need("pdftotext"), "-enc", "UTF-8", str(path), "-"], capture_output=True, check=True
    ).stdout.decode()


def pages_of(path):
    said = subprocess.run([need("pdfinfo"), str(path)], capture_output=True, check=True)
    facts = dict(line.split(":", 1) for line in said.stdout.decode().splitlines() if ":" in line)
    return int(facts["Pages"]), facts["Page size"]


@pytest.fixture(scope="module")
def office_pdf(article, office):
    """The DOCX as an office program prints it."""
    folder, _ = article
    return office("pdf", folder / "article.docx", folder.parent / "office")


# --- the same words -----------------------------------------------------------------------------


def missing_words(said, wanted):
    return {word: count - said[word] for word, count in wanted.items() if said[word] < count}


def test_the_pdf_has_every_word_of_the_source(article, md):
    assert missing_words(words_of(pdf_text(article[0] / "article.pdf")), words_of(plain(md))) == {}


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
    page = html_page(article[0])
    assert missing_words(words_of(" ".join(page.words)), words_of(plain(md))) == {}
    assert not {"script", "link", "iframe", "object", "embed", "form"} & set(page.tags)
    assert page.tags["h1"] == 1
    assert page.tags["table"] == 1
    assert page.pictures
    for picture in page.pictures:
        assert picture["src"].startswith("data:image/png;base64,")
        assert len(picture["alt"]) > 30


# --- form ---------------------------------------------------------------------------------------


def test_it_is_one_to_three_pages_and_both_ways_agree(article, office_pdf):
    ours, size = pages_of(article[0] / "article.pdf")
    theirs, their_size = pages_of(office_pdf)
    wanted = {"a4": "595.2", "us-letter": "612 x 792"}[article[1]]
    assert wanted in size
    assert wanted in their_size or "595.3" in their_size
    assert 1 <= ours <= 3
    assert abs(ours - theirs) <= 1


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


def test_nothing_runs_out_of_the_page(article, office_pdf, tmp_path):
    for name, pdf in (("typst", article[0] / "article.pdf"), ("office", office_pdf)):
        folder = tmp_path / name
        folder.mkdir()
        assert not any(ink_in_margins(pdf, 18, folder)), name


def boxes(pdf):
    said = subprocess.run(
        [need("pdftotext"), "-bbox", str(pdf), "-"], capture_output=True, check=True
    ).stdout.decode()
    for page in said.split("<page ")[1:]:
        found = re.findall(
            r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">(.*?)</word>', page
        )
        yield np.array([[float(v) for v in row[:4]] for row in found]), [row[4] for row in found]


def test_no_word_lies_upon_another(article, office_pdf):
    for pdf in (article[0] / "article.pdf", office_pdf):
        for box, words in boxes(pdf):
            if not len(box):
                continue
            left = np.maximum(box[:, None, 0], box[None, :, 0])
            right = np.minimum(box[:, None, 2], box[None, :, 2])
            low = np.maximum(box[:, None, 1], box[None, :, 1])
            high = np.minimum(box[:, None, 3], box[None, :, 3])
            tall = (box[:, 3] - box[:, 1])[:, None]
            upon = (right - left > 1.0) & (high - low > 0.5 * tall)
            np.fill_diagonal(upon, False)
            assert not upon.any(), [words[i] for i in np.flatnonzero(upon.any(axis=1))[:6]]


def test_the_docx_has_styles_a_real_table_and_sharp_pictures_with_alt_text(article):
    with zipfile.ZipFile(article[0] / "article.docx") as docx:
        document = ElementTree.fromstring(docx.read("word/document.xml"))
        styles = ElementTree.fromstring(docx.read("word/styles.xml"))
        links = ElementTree.fromstring(docx.read("word/_rels/document.xml.rels"))
        target = {link.get("Id"): link.get("Target") for link in links}
        known = {style.get(f"{W}styleId") for style in styles.iter(f"{W}style")}
        used = {style.get(f"{W}val") for style in document.iter(f"{W}pStyle")}
        assert used <= known
        assert {"Title", "Heading1", "Heading2", "ImageCaption", "TableCaption", "Box"} <= used
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
    data = (article[0] / "article.pdf").read_bytes()
    assert b"/StructTreeRoot" in data
    assert b"/Lang" in data


def test_the_cautions_are_in_every_format(article, office_pdf):
    folder, _ = article
    texts = {
        "md": plain((folder / "article.md").read_text(encoding="utf-8")),
        "html": " ".join(html_page(folder).words),
        "pdf": pdf_text(folder / "article.pdf"),
        "docx": pdf_text(office_pdf),
    }
    marks = ["lathe", "Wood dust", "Hot wax", "oven", "Thin instant glue", "A bowl for food",
             "licensed to advise", "local rules"]  # fmt: skip
    for name, text in texts.items():
        flat = " ".join(text.split())
        assert [mark for mark in marks if mark not in flat] == [], name


# --- numbers ------------------------------------------------------------------------------------


def test_each_finding_is_written_once_and_can_be_made_again(article, book, md):
    record = json.loads((article[0] / "article.json").read_text(encoding="utf-8"))
    assert record["book"]["sha256"] == book.hash
    assert record["versions"]["woodlab"] == wl.__version__
    assert record["failed"] == []
    keys = [finding["key"] for finding in record["findings"]]
    assert len(keys) == len(set(keys))
    assert keys
    said = plain(md)
    for finding in record["findings"]:
        assert finding["call"].startswith("wl."), finding["key"]
        assert finding["n_pieces"] > 0 or finding["key"].startswith("walls.rough.")
        for written in (finding["text"], finding["span"]):
            assert written in said, finding["key"]
        if finding["sentence"]:
            assert finding["text"] in finding["sentence"]
            assert finding["span"] in finding["sentence"]


def test_a_number_of_the_table_is_the_number_of_the_text(article, md):
    record = json.loads((article[0] / "article.json").read_text(encoding="utf-8"))
    cells = [
        cell.strip().replace("\\", "")
        for line in md.splitlines()
        if line.startswith("| ")
        for cell in line.strip("|").split(" | ")[2:]
    ]
    written = {f"{f['text']} ({f['span']})" for f in record["findings"]}
    written |= {f["text"] for f in record["findings"]} | {"–"}
    headings = md.split("\n|:")[0].splitlines()[-1]
    assert cells
    assert [
        cell for cell in cells if cell not in written and cell not in headings.replace("\\", "")
    ] == []


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
    for name, text in everything(article[0]):
        assert "Fennimore" not in text, name
        assert "a note on the piece" not in text, name


def test_makers_come_in_when_the_owner_asks(tmp_path):
    out = wl.write_article(one_piece(1), tmp_path / "a", formats=("md",), names=True)
    assert MAKER in plain((out / "article.md").read_text(encoding="utf-8"))


EVIL = {
    "species": {"sugar maple": '<script>alert("1")</script>', "white ash": "=cmd|' /C calc'!A0"},
    "seal": {"wax all over": "**#image(\"/etc/hostname\")** $x$", "paint all over": "| # @SUM(A1)"},
    "piece": {"A1": "<img src=x onerror=alert(2)>", "A2": "../../x", "B1": "{{ title }}\\"},
    "log": {"A": "[l](javascript:alert(3))"},
    "maker": {MAKER: "<b>Ö. O'Malley</b> & {% raise %}"},
}  # fmt: skip


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_hostile_names_arrive_as_characters_in_every_format(tmp_path, light):
    out = wl.write_article(season(EVIL), tmp_path / "article", names=True)
    wanted = [*EVIL["species"].values(), *EVIL["seal"].values(), *EVIL["maker"].values()]
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


def thinned(book, **keep):
    tables = {name: frame for name, frame in book.tables().items() if keep.get(name, True)}
    return RecordBook.from_frames(name="thin", **tables)


def one_piece(weighings):
    days = pd.date_range("2026-01-01", periods=max(weighings, 1), freq="9D")
    return RecordBook.from_frames(
        pieces=pd.DataFrame({"piece": ["P"], "species": ["no such tree"], "seal": ["none"],
                             "turned_on": ["2026-01-01"], "wall_mm": [25], "maker": [MAKER]}),
        weighings=pd.DataFrame({"piece": "P", "on": days, "mass_g": 900 + 600 * 0.7 ** np.arange(
            len(days))}).iloc[:weighings],
    )  # fmt: skip


BOOKS = {
    "no looks": lambda book: thinned(book, looks=False),
    "no air": lambda book: thinned(book, air=False),
    "no offcuts, no air, no looks": lambda book: thinned(
        book, air=False, looks=False, offcuts=False
    ),
    "as it stood in the first week": lambda book: book.until("2025-02-06"),
    "before it began": lambda book: book.until("2024-01-01"),
    "one piece, one weighing": lambda book: one_piece(1),
    "one piece, ten weighings": lambda book: one_piece(10),
    "bare pieces only": lambda book: RecordBook.from_frames(
        pieces=book.pieces[book.pieces["seal"] == "none"],
        weighings=book.weighings[
            book.weighings["piece"].isin(book.pieces["piece"][book.pieces["seal"] == "none"])
        ],
    ),
}


LIGHT = ("no looks", "no offcuts, no air, no looks")


@pytest.mark.parametrize("kind", BOOKS)
def test_there_is_an_article_for_any_book(kind, book, tmp_path, request):
    if kind in LIGHT:
        request.getfixturevalue("light")
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        out = wl.write_article(BOOKS[kind](book), tmp_path / "article", formats=("md",))
    text = plain((out / "article.md").read_text(encoding="utf-8"))
    assert "What we do not know" in text
    assert "Take care" in text
    points = re.findall(r"^- (.*)$", (out / "article.md").read_text(encoding="utf-8"), re.M)
    assert points
    assert all(re.search(r"\w", point) for point in points), "a point that says nothing"
    assert not re.search(r"\bnan\b|\binf\b|None|NaT", text), text
    assert json.loads((out / "article.json").read_text(encoding="utf-8"))["failed"] == []


def test_the_locale_reaches_text_table_and_axes(book, tmp_path):
    out = wl.write_article(book, tmp_path / "article", formats=("md",), locale="de")
    text = (out / "article.md").read_text(encoding="utf-8")
    assert "1. Februar 2025" in text
    assert not re.search(r"\d\.\d+ (days|mm|times)", text)
    assert re.search(r"\d,\d", text)


def fingerprint(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*")) if path.is_file()
    }  # fmt: skip


@pytest.mark.parametrize("fails_at", ["pdf", "docx", "html", "json"])
def test_a_failure_leaves_the_earlier_article_whole(fails_at, tmp_path, monkeypatch):
    book = one_piece(1)
    out = wl.write_article(book, tmp_path / "article", formats=("md", "html"))
    before = fingerprint(out)

    def broken(folder, name, dress):
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
        wl.write_article(one_piece(1), tmp_path / "article", **options)
    assert list(tmp_path.iterdir()) == []


def test_a_template_of_ones_own(tmp_path):
    own = copy_template(tmp_path / "own")
    assert sorted(path.name for path in own.iterdir()) == [
        "article.css", "article.md.j2", "article.typ", "reference.docx",
    ]  # fmt: skip
    with pytest.raises(WoodlabError, match="already"):
        copy_template(own)
    source = (own / "article.md.j2").read_text(encoding="utf-8")
    (own / "article.md.j2").write_text(source.replace("## Take care", "## Vorsicht"), "utf-8")
    (own / "article.css").write_text("body { color: rebeccapurple }", "utf-8")
    out = wl.write_article(one_piece(1), tmp_path / "a", ("md", "html", "docx"), template=own)
    assert "## Vorsicht" in (out / "article.md").read_text(encoding="utf-8")
    assert "rebeccapurple" in (out / "article.html").read_text(encoding="utf-8")


def test_a_broken_template_is_said_with_its_line(tmp_path):
    path = tmp_path / "mine.md.j2"
    path.write_text("# {{ title }}\n\n{{ nonsense }}\n")
    with pytest.raises(WoodlabError, match="nonsense"):
        wl.write_article(one_piece(1), tmp_path / "a", formats=("md",), template=path)
    path.write_text("# {{ title }}\n\n{% for %}\n")
    with pytest.raises(WoodlabError, match="line 3"):
        wl.write_article(one_piece(1), tmp_path / "a", formats=("md",), template=path)
