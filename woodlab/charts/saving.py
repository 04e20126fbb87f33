"""Charts to files: SVG and PNG at their printed size, for light pages, dark screens, grey print."""

from __future__ import annotations

import functools
import html
import re
from pathlib import Path
from typing import Any, Literal

import altair

from woodlab.charts import colours
from woodlab.errors import WoodlabError

MM_PER_PX = 0.25
Look = Literal["light", "dark", "grey"]
_PLACES = re.compile(r' (?:d|transform|[xyr][12]?|c[xy]|width|height)="[^"]*"')


def save_chart(
    chart: Any, path: str | Path, ppi: int = 300, *, locale: str = "en", look: Look = "light"
) -> Path:
    """Write a chart as SVG or PNG (by the ending of `path`), with no network.

    Parameters
    ----------
    chart : altair chart
        As any function of `woodlab.charts` gives it, or its `spec_of`.
    path : str or Path
        The file; what stands there is replaced.
    ppi : int
        Pixels of a PNG per inch of its printed size: a `column` is 110 mm wide, a `page` 170 mm.
    locale : str
        The form of the axes' numbers and dates: "en", "de", "fr_CA", ...
    look : {"light", "dark", "grey"}
        For paper, for a dark screen, or for grey print.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    WoodlabError
        When the ending is neither `.svg` nor `.png`.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import pandas as pd, woodlab as wl
    >>> found = pd.DataFrame({"label": ["ash"], "estimate": 20, "ci_lower": 8, "ci_upper": 42})
    >>> chart = wl.charts.interval_chart(found, title="Cracked [%]")
    >>> printed_width_mm(save_chart(chart, pathlib.Path(tempfile.mkdtemp()) / "cracked.svg"))
    110.0
    >>> save_chart(chart, "cracked.jpg")
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: a chart is saved as .svg or .png; found 'cracked.jpg'. Change ...
    """
    path = Path(path)
    if path.suffix.lower() == ".svg":
        path.write_text(chart_svg(chart, locale=locale, look=look), encoding="utf-8")
    elif path.suffix.lower() == ".png":
        path.write_bytes(_converted("png", chart, locale, look, ppi=ppi,
                                    scale=MM_PER_PX * 72 / 25.4))  # fmt: skip
    else:
        raise WoodlabError(
            f"a chart is saved as .svg or .png; found {path.name!r}. Change the file's ending."
        )
    return path


def chart_svg(chart: Any, *, locale: str = "en", look: Look = "light") -> str:
    """A chart as SVG text."""
    return str(_converted("svg", chart, locale, look))


def page_svg(chart: Any) -> str:
    """A chart (or its specification) as SVG for a page: with its alt text, and turning dark by
    itself where the screen is."""
    spec = chart if isinstance(chart, dict) else spec_of(chart)
    # one picture with one alt text: no label of each mark, which nobody would hear to its end
    silent = {**spec, "config": {**spec.get("config", {}), "aria": False}}
    head, _, rest = chart_svg(silent).partition(">")
    # coordinates to a hundredth of a pixel: a page of several pictures stays under 1 MB
    rest = _PLACES.sub(lambda part: re.sub(r"(\.\d\d)\d+", r"\1", part[0]), rest)
    alt = html.escape(spec.get("description", ""), quote=True)
    return f'{head} role="img" aria-label="{alt}">{colours.dark_style()}{rest}'


def spec_of(chart: Any) -> dict[str, Any]:
    """The Vega-Lite specification, of any number of rows, its data inside."""
    with altair.data_transformers.enable("default", max_rows=None):
        return chart.to_dict(validate=False)


def _converted(kind: str, chart: Any, locale: str, look: Look, **more: Any) -> Any:
    import vl_convert

    spec = chart if isinstance(chart, dict) else spec_of(chart)
    convert = getattr(vl_convert, f"vegalite_to_{kind}")
    return convert(colours.recoloured(spec, look), **more, **_locales(locale))


@functools.cache
def _locales(locale: str) -> dict[str, Any]:
    """The converter's own locale data: of the locale, else its language's, else English."""
    import vl_convert

    asked = locale.replace("_", "-")
    language = asked.split("-")[0].lower()
    for name in () if asked in ("en", "en-US") else (asked, f"{language}-{language.upper()}"):
        try:
            return {
                "format_locale": vl_convert.get_format_locale(name),  # type: ignore[arg-type]
                "time_format_locale": vl_convert.get_time_format_locale(name),  # type: ignore[arg-type]
            }
        except ValueError:
            continue
    return {}


def printed_width_mm(svg: str | Path) -> float:
    """The width [mm] on paper of a file that `save_chart` wrote as SVG."""
    found = re.search(r'<svg [^>]*\bwidth="([\d.]+)"', Path(svg).read_text(encoding="utf-8")[:1000])
    return float(found[1]) * MM_PER_PX if found else float("nan")
