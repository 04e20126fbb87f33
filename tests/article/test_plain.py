"""Text from a book is plain characters in every format, whatever it is."""

import html
import json
import subprocess

import pypandoc
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from woodlab.article.plain import Source, as_markdown
from woodlab.article.render import READER
from woodlab.article.say import Say
from woodlab.words import one_line

HOSTILE = [
    "<script>alert(1)</script>",
    "<b>bold</b>",
    "&lt;b&gt; &amp; &#60;",
    "*star* _under_ **two**",
    "# heading",
    "1. list",
    "(1) list",
    "a) list",
    "- item",
    "+ item",
    "> quote",
    "| cell | cell |",
    "`code` ``",
    "[link](http://example.org)",
    "![p](x.png)",
    "$x^2$ $$y$$",
    "\\textbf{x}",
    "\\begin{equation}",
    "#let x = 1",
    '#image("/etc/hostname")',
    "@cite @fig-1",
    "<label>",
    "{{ title }}",
    "{% for x in y %}",
    "{#id .class}",
    "=1+1",
    "=cmd|' /C calc'!A0",
    "+1-1",
    "@SUM(A1)",
    "::: box",
    ":::",
    ": caption",
    "% title",
    "---",
    "***",
    "===",
    "~~gone~~",
    "H~2~O",
    "x^2^",
    "[^1]",
    "^[note]",
    "---\ntitle: x\n---",
    "'q' \"q\" `q`",
    "a\\",
    "\\\\",
    "\\n",
    "http://example.org",
    "me@example.org",
    "<me@example.org>",
    "“q” – … ",
    ":smile:",
    "Fliederholz (Müller) № 3",
    "\u202eabc",
    "a\x00b\x07c\x1b[31m",
    "\ufffe\uffff",
    "  two   blanks ",
    "line\nbreak\r\n\ttab",
    "1986. a fine year",
    "iv. x",
    "#. x",
    "(@) x",
    "\\(x\\) \\[y\\]",
    "/* x */ // y",
    "}])",
    "日本の木",
]

anything = st.lists(
    st.one_of(st.sampled_from(HOSTILE), st.text(max_size=12)), min_size=1, max_size=3
).map(" ".join)


def pandoc(text, to):
    return subprocess.run(
        [pypandoc.get_pandoc_path(), "--from", READER, "--to", to],
        input=text.encode(), capture_output=True, check=True,
    ).stdout.decode()  # fmt: skip


def words(inlines):
    """The characters of a list of inlines; anything but characters and blanks is a fault."""
    out = []
    for inline in inlines:
        kind = inline["t"]
        assert kind in ("Str", "Space", "SoftBreak"), inline
        out.append(inline["c"] if kind == "Str" else " ")
    return "".join(out)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(anything, min_size=3, max_size=3))
def test_any_text_arrives_as_its_own_characters_wherever_it_stands(texts):
    wanted, row = [one_line(text) for text in texts], Say("").table_row
    document = "\n\n".join(
        [
            *(f"{as_markdown(text)}" for text in texts),
            *(f"Before 1 {as_markdown(text)} after" for text in texts),
            "\n".join(f"- {as_markdown(f'x{text}')}" for text in texts),
            " ".join(as_markdown(text) for text in ["Said", *texts]),
            "\n".join([row(["a", "b", "c"]), "|---|---|---|", row(texts)]),
            f"![{as_markdown('c' + texts[0])}](x.png)"
            + f'{{width=2cm alt="{as_markdown(texts[1])}"}}',
        ]
    )
    blocks = json.loads(pandoc(document, "json"))["blocks"]
    starts = [text for text in wanted if text]
    for text in starts:
        block = blocks.pop(0)
        assert block["t"] == "Para"
        assert words(block["c"]) == text
    for text in wanted:
        block = blocks.pop(0)
        assert words(block["c"]) == " ".join(f"Before 1 {text} after".split(" ")).replace("  ", " ")
    items = blocks.pop(0)
    assert items["t"] == "BulletList"
    assert [words(item[0]["c"]) for item in items["c"]] == [one_line(f"x{t}") for t in texts]
    assert words(blocks.pop(0)["c"]) == " ".join(["Said", *starts])
    table = blocks.pop(0)
    assert table["t"] == "Table"
    [row] = table["c"][4][0][3]
    cells = [words(cell[4][0]["c"]) if cell[4] else "" for cell in row[1]]
    assert cells == wanted
    figure = blocks.pop(0)
    assert figure["t"] == "Figure"
    assert words(figure["c"][1][1][0]["c"]) == one_line("c" + texts[0])
    image = figure["c"][2][0]["c"][0]
    assert words(image["c"][1]) == wanted[1]
    assert blocks == []


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_characters_in_html(text):
    written = as_markdown("x " + text)
    page = pandoc(written, "html5")
    assert page.startswith("<p>x")
    inside = page.strip().removeprefix("<p>").removesuffix("</p>")
    assert "<" not in inside
    assert html.unescape(inside) == one_line("x " + text)


def test_the_text_of_the_article_itself_stays_readable():
    sentence = "Bare pieces took 3.1 times as long (2.6 to 3.7; 12 pieces), or 5 % more."
    assert as_markdown(sentence) == sentence


def test_source_passes_and_everything_else_does_not():
    assert as_markdown(Source("**x**")) == "**x**"
    assert as_markdown("**x**") == "\\*\\*x\\*\\*"


def test_a_long_name_is_cut_and_a_short_one_is_not():
    assert one_line("x" * 10_000, 40) == "x" * 39 + "…"
    assert one_line("wax all over", 40) == "wax all over"


@given(st.text())
def test_plain_text_is_one_line_of_printable_characters_and_stays_so(text):
    plain = one_line(text)
    assert one_line(plain) == plain
    assert not any(ord(c) < 32 or 0x7F <= ord(c) < 0xA0 for c in plain)
    assert "  " not in plain
    plain.encode("utf-8")
