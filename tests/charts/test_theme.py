"""The theme: colours that part for everyone, sizes that hold, alt text that must be there."""

import base64
import struct
import xml.etree.ElementTree as ElementTree

import altair as alt
import pandas as pd
import pytest

from woodlab.charts import colours, saving, theme
from woodlab.errors import WoodlabError

FRAME = pd.DataFrame(
    {"days": [0, 10, 20, 30], "mass_g": [900.0, 700, 1600, 1550], "seal": ["a", "a", "b", "b"]}
)


def test_a_chart_without_alt_text_is_refused():
    with pytest.raises(WoodlabError, match="has no alt text"):
        theme.themed(alt.Chart(FRAME).mark_line(), alt="  ")
    with pytest.raises(WoodlabError, match="column, page"):
        theme.themed(alt.Chart(FRAME).mark_line(), alt="x", size="poster")


@pytest.mark.parametrize(("size", "width_mm"), [("column", 110), ("page", 170)])
def test_a_saved_chart_has_its_printed_width_at_300_ppi(tmp_path, size, width_mm):
    chart = theme.themed(
        alt.Chart(FRAME).mark_line().encode(x="days:Q", y="mass_g:Q"), alt="x", size=size
    )
    png = saving.save_chart(chart, tmp_path / "a.png").read_bytes()
    width_px = struct.unpack(">I", png[16:20])[0]
    assert width_px == pytest.approx(width_mm / 25.4 * 300, rel=0.005)
    at = png.index(b"pHYs") + 4
    assert struct.unpack(">I", png[at : at + 4])[0] == pytest.approx(300 / 0.0254, abs=1)
    svg = saving.save_chart(chart, tmp_path / "a.svg").read_text()
    assert float(ElementTree.fromstring(svg).get("width")) == theme.WIDTH_PX[size]
    assert saving.printed_width_mm(tmp_path / "a.svg") == width_mm


def test_another_ending_is_refused(tmp_path):
    chart = theme.themed(alt.Chart(FRAME).mark_line().encode(x="days:Q"), alt="x")
    with pytest.raises(WoodlabError, match="svg or .png"):
        saving.save_chart(chart, tmp_path / "a.pdf")


def test_axes_take_the_locale_s_form():
    chart = theme.themed(alt.Chart(FRAME).mark_line().encode(x="days:Q", y="mass_g:Q"), alt="x")
    assert ">1,000<" in saving.chart_svg(chart)
    assert ">1.000<" in saving.chart_svg(chart, locale="de")
    assert ">1\u00a0000<" in saving.chart_svg(chart, locale="fr_FR")
    assert ">1,000<" in saving.chart_svg(chart, locale="xx")


def test_a_chart_keeps_its_own_settings_under_the_theme():
    chart = alt.Chart(FRAME).mark_line().configure_axis(grid=False).properties(height=99)
    made = theme.themed(chart, alt="x").to_dict()
    assert made["height"] == 99
    assert made["config"]["axis"]["grid"] is False
    assert made["config"]["axis"]["labelFontSize"] == 12
    assert made["description"] == "x"


def test_facets_and_concatenations_keep_their_panels():
    line = alt.Chart(FRAME).mark_line().encode(x="days:Q", y="mass_g:Q").properties(width=77)
    for chart in (line.facet("seal:N"), line | line):
        text = str(theme.themed(chart, alt="x").to_dict())
        assert "'width': 77" in text
        assert "'width': 360" not in text


def test_layers_share_one_legend_of_colours_and_shapes():
    look = {"domain": ["a", "b"]}
    base = alt.Chart(FRAME).encode(x="days:Q", y="mass_g:Q")
    points = base.mark_point().encode(**theme.series_encoding("seal", "Seal", mark="point", **look))
    lines = base.mark_line().encode(
        **theme.series_encoding("seal", "Seal", mark="line", legend=False, **look)
    )
    svg = saving.chart_svg(theme.themed(points + lines, alt="x"))
    assert svg.count(">Seal<") == 1
    assert all(colour in svg for colour in colours.seal_colours(["a", "b"]))


def test_a_chart_in_a_notebook_is_live_and_still_and_no_text_of_it_is_markup():
    hostile = '</script><img src=x onerror="alert(1)">'
    chart = theme.themed(
        alt.Chart(FRAME.assign(seal=hostile)).mark_text().encode(x="days:Q", text="seal:N"),
        alt='"><script>alert(2)</script>',
    )
    shown = theme.rendered(chart.to_dict())
    assert shown[theme.LIVE]["data"] == chart.to_dict()["data"]
    still = shown["text/markdown"]
    assert 'alt="&quot;&gt;&lt;script&gt;' in still
    assert still.count("<") == 1
    svg = base64.b64decode(still.partition("base64,")[2].partition('"')[0]).decode()
    assert "<script" not in svg
    assert "<img" not in svg
    assert 'aria-label="&quot;&gt;&lt;script&gt;' in svg
    assert "prefers-color-scheme:dark" in svg
    ElementTree.fromstring(svg)


def test_an_alt_text_begins_with_the_title():
    chart = theme.themed(alt.Chart(FRAME).mark_line(), alt="From 900 to 700 g.", says="it fell")
    assert chart.description == "It fell. From 900 to 700 g."
    asks = theme.themed(alt.Chart(FRAME).mark_line(), alt="From 900 to 700 g.", says="did it fall?")
    assert asks.description == "Did it fall? From 900 to 700 g."
