"""Charts in notebooks and exported pages without a network: the Altair renderer `woodlab`."""

from __future__ import annotations

import base64
import functools
import html
import json
import os
import re
import uuid
from typing import Any

import altair
import vl_convert

from woodlab.charts import colours

# Set where nobody looks on, as in the main job: no scripts are put into the outputs. A notebook run
# so shows still pictures until its cells are run again.
STILL = "WOODLAB_STILL_CHARTS"
_pages_served: set[str] = set()

# A chart of more than this (some ten thousand marks) makes a page that opens slowly and a picture
# that a pointer cannot pick a mark in: it stays a still one. Characters of its specification.
MOST_LIVE = 1_500_000
# A picture of lines of more characters than this is kept as points instead.
MOST_LINES = 160_000
_PLACES = re.compile(r' (?:d|transform|[xyr][12]?|c[xy]|width|height)="[^"]*"')

# The scripts run once a page whatever the number of times they arrive.
_LOADER = """<script>(function () {
if (window.woodlabEmbed) { return; }
%s
})();</script>"""

# A chart waits for the scripts, draws beside its still picture, and only then hides it.
_DRAW = """<script>(function () {
var id = "%(id)s", spec = %(spec)s, tries = 0;
function draw() {
  var hosts = document.querySelectorAll('[data-woodlab-chart="' + id + '"]');
  if (!window.woodlabEmbed || hosts.length === 0) {
    tries += 1;
    if (tries < 600) { setTimeout(draw, 100); }
    return;
  }
  hosts.forEach(function (host) {
    if (host.dataset.state) { return; }
    host.dataset.state = "drawing";
    var box = document.createElement("div");
    host.appendChild(box);
    var options = {renderer: "svg", mode: "vega-lite",
      actions: {export: true, source: false, compiled: false, editor: false}};
    window.woodlabEmbed(box, spec, options).then(function () {
      host.dataset.state = "drawn";
      var still = host.querySelector("img");
      if (still) { still.style.display = "none"; }
    }).catch(function (error) {
      host.dataset.state = "still";
      box.remove();
      console.error(error);
    });
  });
}
draw();
})();</script>"""


@functools.cache
def scripts_html() -> str:
    """The chart scripts as one script element, for the head of a page or a cell's output."""
    return _LOADER % vl_convert.javascript_bundle("window.woodlabEmbed = vegaEmbed;")


def chart_html(spec: dict[str, Any]) -> str:
    """A chart as a piece of HTML: a still picture with alt text, replaced once scripts run.

    A chart of very many marks stays a still picture, and says so below.
    """
    alt = html.escape(str(spec.get("description", "")), quote=True)
    name = uuid.uuid4().hex
    # "<" is written as an escape, so that no text in the data can end the script element.
    text = json.dumps(spec, allow_nan=False).replace("<", "\\u003c")
    still, kind = _still(spec)
    picture = f'<img alt="{alt}" src="data:image/{kind};base64,{still}" style="max-width: 100%">'
    if len(text) > MOST_LIVE:
        return (
            f'<div class="woodlab-chart">{picture}<p><small>A still picture: too much stands in it '
            "to be pointed at.</small></p></div>"
        )
    return (
        f'<div class="woodlab-chart" data-woodlab-chart="{name}" style="max-width: 100%;'
        f' overflow-x: auto">{picture}</div>' + _DRAW % {"id": name, "spec": text}
    )


def _still(spec: dict[str, Any]) -> tuple[str, str]:
    """A picture in base64 and its kind: lines that turn dark with the page, or, where there are
    so many that the page would grow heavy, points."""
    svg = vl_convert.vegalite_to_svg(spec)
    if len(svg) <= MOST_LINES:
        head, _, rest = svg.partition(">")
        text = f"{head}>{colours.dark_style()}{_shorter(rest)}"
        return base64.b64encode(text.encode("utf-8")).decode("ascii"), "svg+xml"
    png = vl_convert.vegalite_to_png(spec, scale=1.6)
    return base64.b64encode(png).decode("ascii"), "png"


def _shorter(svg: str) -> str:
    """Coordinates to a hundredth of a pixel; the words of a picture are not touched."""
    return _PLACES.sub(lambda part: re.sub(r"(\.\d\d)\d+", r"\1", part[0]), svg)


def render(spec: dict[str, Any], **_: Any) -> dict[str, str]:
    """The Altair renderer: HTML that draws itself, with its still picture inside, and alt text."""
    page = chart_html(spec)
    serving = _page()
    if serving is not None and serving not in _pages_served and not os.environ.get(STILL):
        _pages_served.add(serving)
        page = scripts_html() + page
    return {"text/html": page, "text/plain": str(spec.get("description", "chart"))}


def enable() -> None:
    """Register and enable the renderer; in a notebook, put the scripts into the output."""
    altair.renderers.register("woodlab", render)
    altair.renderers.enable("woodlab")
    altair.data_transformers.enable("default", max_rows=None)
    page = _page()
    if page is None or os.environ.get(STILL):
        return
    from IPython.display import HTML, display

    display(HTML(scripts_html()))
    _pages_served.add(page)


def _page() -> str | None:
    """The browser page (or runner) that asked for the cell now running; None outside IPython.

    A front end names its connection in the header of each request, a new name each time that
    its page is loaded.
    """
    try:
        from IPython import get_ipython
    except ImportError:
        return None
    shell = get_ipython()
    kernel = getattr(shell, "kernel", None)
    if kernel is None:
        return None
    try:
        return str(kernel.get_parent("shell")["header"]["session"])
    except (AttributeError, KeyError, TypeError):
        return "unnamed"
