"""Charts in notebooks and exported pages without a network: the Altair renderer `woodlab`."""

from __future__ import annotations

import base64
import functools
import html
import json
import uuid
from typing import Any

import altair
import vl_convert

_pages_served: set[str] = set()

# A chart of more than this (some ten thousand marks) makes a page that opens slowly and a picture
# that a pointer cannot pick a mark in: it stays a still one. Characters of its specification.
MOST_LIVE = 1_500_000

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


def chart_html(spec: dict[str, Any], *, png: bytes | None = None) -> str:
    """A chart as a piece of HTML: a still picture with alt text, replaced once scripts run.

    A chart of very many marks stays a still picture, and says so below.
    """
    alt = html.escape(str(spec.get("description", "")), quote=True)
    name = uuid.uuid4().hex
    # "<" is written as an escape, so that no text in the data can end the script element.
    text = json.dumps(spec, allow_nan=False).replace("<", "\\u003c")
    if len(text) > MOST_LIVE:
        png = vl_convert.vegalite_to_png(spec, scale=2) if png is None else png
        picture = base64.b64encode(png).decode("ascii")
        return (
            f'<div class="woodlab-chart"><img alt="{alt}" src="data:image/png;base64,{picture}"'
            ' style="max-width: 100%"><p><small>A still picture: too much stands in it to be '
            "pointed at.</small></p></div>"
        )
    picture = base64.b64encode(vl_convert.vegalite_to_svg(spec).encode("utf-8")).decode("ascii")
    return (
        f'<div class="woodlab-chart" data-woodlab-chart="{name}" style="max-width: 100%;'
        f' overflow-x: auto"><img alt="{alt}" src="data:image/svg+xml;base64,{picture}"'
        f' style="max-width: 100%"></div>' + _DRAW % {"id": name, "spec": text}
    )


def render(spec: dict[str, Any], **_: Any) -> dict[str, str]:
    """The Altair renderer: HTML that draws itself, a PNG for viewers of pictures, alt text."""
    png = vl_convert.vegalite_to_png(spec, scale=2)
    page = chart_html(spec, png=png)
    serving = _page()
    if serving is not None and serving not in _pages_served:
        _pages_served.add(serving)
        page = scripts_html() + page
    return {
        "text/html": page,
        "image/png": base64.b64encode(png).decode("ascii"),
        "text/plain": str(spec.get("description", "chart")),
    }


def enable() -> None:
    """Register and enable the renderer; in a notebook, put the scripts into the output."""
    altair.renderers.register("woodlab", render)
    altair.renderers.enable("woodlab")
    altair.data_transformers.enable("default", max_rows=None)
    page = _page()
    if page is None:
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
