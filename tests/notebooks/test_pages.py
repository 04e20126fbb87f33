"""A notebook that was run, as a page: answer first, code folded, no script, no path, no network."""

import html
import re

import nbformat
import pandas as pd
import pytest

import woodlab as wl
from woodlab.charts.theme import rendered
from woodlab.pages.notebook import write_page
from woodlab.show import Nothing
from woodlab.show_table import table

PRIVATE = "/home/somebody/season/book"


def cell(source, shown="", text="", tags=(), data=None):
    made = nbformat.v4.new_code_cell(source)
    made.metadata["tags"] = list(tags)
    data = data or {"text/plain": text or "value"} | ({"text/html": shown} if shown else {})
    made.outputs = [nbformat.v4.new_output("execute_result", data, execution_count=1)]
    return made


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    found = pd.DataFrame({"label": ["white <ash>"], "estimate": [20.0], "ci_lower": [8.0],
                          "ci_upper": [42.0]})  # fmt: skip
    chart = wl.charts.interval_chart(found, title="Pieces that cracked [%]")
    shown = table(pd.DataFrame({"bowl": ["A1", "B2"], "wall_mm": [25.0, float("nan")]}))
    made = nbformat.v4.new_notebook()
    made.cells = [
        nbformat.v4.new_markdown_cell("# Which are ready?"),
        cell(f"book_path = {PRIVATE!r}", tags=["parameters"]),
        cell("ready", shown._repr_html_()),
        nbformat.v4.new_markdown_cell("## A picture"),
        cell("chart", data=rendered(chart.to_dict())),
        nbformat.v4.new_markdown_cell("## Log by log"),
        cell("pairs", Nothing(("No log holds two seals.",))._repr_html_()),
        nbformat.v4.new_markdown_cell("## Where"),
        cell("where", text=f"PosixPath('{PRIVATE}/article')"),
    ]
    path = tmp_path_factory.mktemp("pages") / "3_ready.ipynb"
    nbformat.write(made, path)
    return write_page(path, [("3_ready.html", "Ready"), ("5_cracks.html", "Cracks")])


def test_a_page_has_no_script_asks_for_nothing_and_names_no_path(page):
    text = page.read_text(encoding="utf-8")
    assert "<script" not in text
    assert not re.search(r'(src|href)="(https?:)?//', text)
    assert "/home" not in text
    assert "somebody" not in text
    assert "PosixPath('article')" in html.unescape(text)  # what is left of a path: its last part
    assert page.stat().st_size < 200_000


def test_the_answer_is_first_and_code_is_folded_under_it(page):
    text = page.read_text(encoding="utf-8")
    assert text.index('id="answer"') < text.index("<details>")
    assert "book_path" not in text  # the parameters are left out
    assert re.search(r"<details><summary>code</summary>.*?<code>ready</code>", text, re.S)
    assert text.count("<summary>code</summary>") == 3


def test_a_chart_is_one_still_picture_with_its_alt_text(page):
    text = page.read_text(encoding="utf-8")
    assert text.count("<img ") == 1
    assert 'src="data:image/svg+xml;base64,' in text
    assert "white &lt;ash&gt;: 20 (8 to 42)" in text


def test_a_section_with_nothing_to_show_becomes_one_sentence(page):
    text = page.read_text(encoding="utf-8")
    assert "<h2" in text
    assert "No log holds two seals." not in text
    assert "Left out, since the records do not hold it: Log by log." in text


def test_pages_lead_to_one_another(page):
    text = page.read_text(encoding="utf-8")
    assert '<a href="index.html">Front page</a>' in text
    here = re.search(r"<a [^>]*aria-current[^>]*>", text)[0]
    assert 'href="3_ready.html"' in here
    assert '<a href="5_cracks.html">Cracks</a>' in text
    assert "<title>Which are ready?</title>" in text


def test_a_table_words_units_ranges_dates_and_what_is_missing():
    frame = pd.DataFrame(
        {"piece": ["A1", "B2", "C3"], "moisture_pct": [14.26, float("nan"), 12.0],
         "ci_lower": [13.0, float("nan"), 11.06], "ci_upper": [15.5, float("nan"), 13.0],
         "p_value": [0.0004, float("nan"), 0.2], "on": pd.to_datetime(["2026-03-09"] * 3),
         "share": [0.25, float("nan"), 1.0], "reason": ["", "never weighed", ""]}
    )  # fmt: skip
    shown = table(frame, "piece moisture_pct ci_lower ci_upper:95_%_range p_value on share", "{n}.")
    assert shown.card().headings == ("piece", "moisture [%]", "range", "p", "on", "share")
    assert shown.card().rows[0] == (
        "A1", "14.3", "13 to 15.5", "under 0.001", "9 March 2026", "25 %",
    )  # fmt: skip
    assert len(shown.card().rows) == 2
    assert shown.summary().splitlines() == ["3.", "No figure for B2 (never weighed)."]
    assert "nan" not in shown._repr_html_().lower()
    assert shown.frame is frame


def test_a_table_without_rows_is_one_line_and_an_unknown_column_is_said():
    assert table(pd.DataFrame({"a": []}), empty="No look yet.").summary() == "No look yet."
    with pytest.raises(wl.WoodlabError, match=r"Unknown column 'b'\. This frame has: a\."):
        table(pd.DataFrame({"a": [1]}), "b")


def test_a_range_without_an_end_says_so_and_a_long_table_needs_no_caption():
    found = pd.DataFrame({"wood": ["ash", "oak"], "outcome": "drying_time",
                          "ci_lower": [103.0, 50.0], "ci_upper": [float("nan"), 337.0]})  # fmt: skip
    shown = table(found, "wood outcome ci_lower ci_upper", most=1)._repr_html_()
    assert "103 or more" in shown
    assert "drying time" in shown
    assert "<caption>The first 1 of 2 " in shown
