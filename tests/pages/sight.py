"""Contrast and distance of colours as eyes see them: the measure that the palette is held to."""

import re
from collections.abc import Iterable

import numpy as np
import pandas as pd

from woodlab.charts import colours

# From memory: they shape what is asked of this palette and are no expected value of a test.
SIGHTS = {
    "normal": np.eye(3),
    "protan": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                        [-0.003882, -0.048116, 1.051998]]),
    "deutan": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                        [-0.011820, 0.042940, 0.968881]]),
    "tritan": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                        [0.004733, 0.691367, 0.303900]]),
}  # fmt: skip
_XYZ = np.array([[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
                 [0.0193339, 0.1191920, 0.9503041]])  # fmt: skip


def seen(colour: str, sight: str = "normal") -> np.ndarray:
    """Linear RGB as that sight has it; `grey` is luminance alone."""
    if sight == "grey":
        return np.full(3, float(_XYZ[1] @ colours.linear(colour)))
    return np.clip(SIGHTS[sight] @ colours.linear(colour), 0, 1)


def lab(colour: str, sight: str = "normal") -> np.ndarray:
    """CIE L*a*b* of a colour as that sight has it (white of sRGB)."""
    t = (_XYZ @ seen(colour, sight)) / (_XYZ @ np.ones(3))
    f = np.where(t > 216 / 24389, np.cbrt(t), (24389 / 27 * t + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one: str, other: str, sight: str = "normal") -> float:
    """Contrast of two colours, 1 to 21 (WCAG 2)."""
    a, b = (float(_XYZ[1] @ seen(colour, sight)) for colour in (one, other))
    return round((max(a, b) + 0.05) / (min(a, b) + 0.05), 3)


def contrasts() -> pd.DataFrame:
    """Every colour on its ground: what it is, the contrast it needs, the least over all sights."""
    rows = []
    for k, mode in enumerate(("light", "dark")):
        paper, ink = colours.ROLES["paper"][k], colours.ROLES["ink"][k]
        words = ("ink", "quiet", "link", "ready", "cracked", "waiting")
        asked = [(f"{n} words", colours.ROLES[n][k], colours.ROLES[g][k], 4.5) for n in words
                 for g in ("paper", "card")]  # fmt: skip
        asked += [("words on ready", colours.ON_FILL[k], colours.ROLES["ready"][k], 4.5)]
        asked += [
            ("line", colours.ROLES["line"][k], colours.ROLES[g][k], 3.0) for g in ("paper", "card")
        ]
        asked += [("words on a tile", ink, tile[k], 4.5) for tile in colours.TILES]
        asked += [(f"seal {n}", pair[k], paper, 3.0) for n, pair in colours.SEALS.items()]
        asked += [("series", pair[k], paper, 3.0) for pair in colours.OTHERS]
        for what, colour, ground, needs in asked:
            least = min(contrast(colour, ground, sight) for sight in (*SIGHTS, "grey"))
            rows.append((mode, what, colour, ground, needs, least))
    return pd.DataFrame(rows, columns=["mode", "what", "colour", "ground", "needs", "least"])


def least_distance(some: Iterable[str], sights: Iterable[str] = (*SIGHTS,)) -> float:
    """The least distance of two of the colours over the sights."""
    some = list(some)
    return min(
        float(np.linalg.norm(lab(a, sight) - lab(b, sight)))
        for sight in sights
        for k, a in enumerate(some)
        for b in some[k + 1 :]
    )


# of each element with words of its own: its ink, the ground under it, the words
_COLOURS = """() => [...document.querySelectorAll('body *')]
 .filter(e => !e.closest('svg, script, style') && e.getBoundingClientRect().width > 0)
 .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()))
 .map(e => { let g = e; while (g && getComputedStyle(g).backgroundColor === 'rgba(0, 0, 0, 0)')
   g = g.parentElement;
 return [getComputedStyle(e).color, g ? getComputedStyle(g).backgroundColor : 'rgb(255, 255, 255)',
   e.textContent.slice(0, 60)]; })"""


def words_and_contrast(page) -> list[tuple[float, str]]:
    """Of all words that a browser shows: the contrast with what is under them, and the words."""

    def written(colour: str) -> str:
        return "#" + "".join(f"{int(v):02x}" for v in re.findall(r"\d+", colour)[:3])

    return [
        (contrast(written(ink), written(ground)), said)
        for ink, ground, said in page.evaluate(_COLOURS)
    ]
