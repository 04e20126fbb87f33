"""The theme: colours that part for everyone, sizes that hold, alt text that must be there."""

import struct
import xml.etree.ElementTree as ElementTree

import altair as alt
import pandas as pd
import pytest

from woodlab.charts import colours, saving, theme
from woodlab.charts.notebook import renderer
from woodlab.charts.notebook.renderer import chart_html, scripts_html
from woodlab.errors import WoodlabError

FRAME = pd.DataFrame(
    {"days": [0, 10, 20, 30], "mass_g": [900.0, 700, 1600, 1550], "seal": ["a", "a", "b", "b"]}
)


def test_a_chart_without_alt_text_is_refused():
    with pytest.raises(WoodlabError, match="has no alt text"):
        theme.themed(alt.Chart(FRAME).mark_line(), alt="  ")
    with pytest.raises(WoodlabError, match="column, page"):
        theme.themed(alt.Chart(FRAME).mark_line(), alt="x", size="poster")


@pytest.mark.parametrize(("size", "width_mm"), [("column", 90), ("page", 170)])
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
    for chart in (line.facet("seal:N"), line | line, line.encode(column="seal:N")):
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


def test_no_text_in_the_data_or_the_alt_can_end_the_script_or_the_attribute():
    frame = FRAME.assign(seal='</script><img src=x onerror="alert(1)">')
    chart = theme.themed(
        alt.Chart(frame).mark_point().encode(x="days:Q", tooltip="seal:N"),
        alt='"><script>alert(2)</script>',
    )
    page = chart_html(chart.to_dict())
    assert page.count("<script>") == 1
    assert page.count("</script>") == 1
    assert "<img src=x" not in page
    assert page.count("<img ") == 1


def test_a_chart_of_very_many_marks_stays_a_still_picture_that_says_so(monkeypatch):
    monkeypatch.setattr(renderer, "MOST_LIVE", 20_000)
    chart = alt.Chart(FRAME).mark_point().encode(x="days:Q")
    few = theme.themed(chart, alt="few").to_dict()
    many = theme.themed(chart.properties(data=pd.concat([FRAME] * 500)), alt="many").to_dict()
    assert "<script>" in chart_html(few)
    page = chart_html(many)
    assert "<script>" not in page
    assert 'alt="many" src="data:image/png;base64,' in page
    assert "A still picture" in page
    assert len(page) < 100_000


def test_the_scripts_end_where_they_should():
    scripts = scripts_html()
    assert scripts.count("</script") == 1
    assert scripts.rstrip().endswith("</script>")
