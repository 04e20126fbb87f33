"""Colours by what they are for, measured and not judged by eye; one order of seals for the kit.

Each light colour has a twin for dark screens, so that a chart is drawn once and recoloured
(`recoloured`). Tests measure contrast (WCAG 2) and distance (CIE 1976) on light and dark grounds,
for normal sight, for the colour blindnesses of Machado et al. (2009) and for grey print.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable

import numpy as np

# Role: (light, dark). What a colour is for is what may not change.
ROLES = {
    "paper": ("#ffffff", "#14171b"),
    "card": ("#f5f3ee", "#1e2228"),
    "ink": ("#1d1d1b", "#eeebe4"),
    "quiet": ("#55554f", "#b3b1a9"),
    "line": ("#85857d", "#7a7d80"),
    "hair": ("#dddbd3", "#33383f"),
    "ready": ("#0b5a50", "#66cbb8"),
    "cracked": ("#9c3210", "#ff9f78"),
    "waiting": ("#2c5279", "#9bbeeb"),
    "link": ("#1d4f8c", "#93bdf2"),
}
ON_FILL = ("#fffffe", "#14171a")  # words on a filled `ready` ground

# From open to closed: the more a seal holds back, the darker it is (on dark screens the brighter),
# in even steps of lightness, so that grey print keeps the order.
SEALS = {
    "none": ("#a9891f", "#c15b0c"),
    "wax on end grain": ("#a6524d", "#c59176"),
    "paint all over": ("#5e27ae", "#bdbcff"),
    "wax all over": ("#083045", "#afffea"),
}
OTHERS = (("#7b7885", "#36a5a3"), ("#7a4689", "#b7bd0e"), ("#6e1e04", "#4df678"))

# Ordered so that the first few differ most in lightness; for series that are not seals.
SERIES = tuple(
    pair[0]
    for pair in (
        SEALS["wax all over"], SEALS["none"], SEALS["wax on end grain"], SEALS["paint all over"],
        *OTHERS,
    )
)  # fmt: skip

# One hue, ten points of lightness a step, from nearly dry enough to wettest.
MOISTURE_EDGES = (17, 20, 25, 30, 45, 60)  # percent
MOISTURE = (
    ("#bfd0e3", "#2b4359"), ("#a1b6cd", "#3f5a72"), ("#839cb7", "#54718c"), ("#67839f", "#6a8aa6"),
    ("#4b6a89", "#81a3c0"), ("#2f5272", "#99bddb"), ("#0f3a5b", "#b5d8f5"),
)  # fmt: skip
# Grounds of counting tiles, none to most; the count stands on them in `ink`.
TILES = (
    ROLES["paper"], ("#fbe9df", "#33231d"), ("#f3c9b3", "#57301f"), ("#e9a585", "#7a3c22"),
    ("#dd8058", "#a04a27"),
)  # fmt: skip

TWINS = dict([*ROLES.values(), ON_FILL, *SEALS.values(), *OTHERS, *MOISTURE, *TILES])

_LUMINANCE = np.array([0.2126729, 0.7151522, 0.0721750])  # of linear red, green, blue (sRGB)


def role(name: str) -> str:
    """The light colour of a role; `recoloured` gives its dark twin."""
    return ROLES[name][0]


def seal_colours(names: Iterable[str]) -> list[str]:
    """Each seal's own colour; seals of a maker's own take those that are left, by name."""
    names = list(names)
    free = [pair[0] for seal, pair in SEALS.items() if seal not in names]
    spare = [*(pair[0] for pair in OTHERS), *free]
    own = {name: spare[k % len(spare)] for k, name in enumerate(sorted(set(names) - set(SEALS)))}
    return [SEALS[name][0] if name in SEALS else own[name] for name in names]


def recoloured(spec: dict, look: str) -> dict:
    """A chart's specification for a `dark` screen or for `grey` print.

    Examples
    --------
    >>> recoloured({"color": "#1d1d1b"}, "dark"), recoloured({"color": "#9c3210"}, "grey")
    ({'color': '#eeebe4'}, {'color': '#565656'})
    """
    if look == "light":
        return spec
    twin = TWINS.get if look == "dark" else (lambda colour, _: grey(colour))
    text = json.dumps(spec)
    return json.loads(re.sub(r"#[0-9a-f]{6}\b", lambda found: twin(found[0], found[0]), text))


def dark_style() -> str:
    """A style sheet that turns a light SVG dark where the screen is."""
    rules = "".join(
        f'[fill="{light}"]{{fill:{dark}}}[stroke="{light}"]{{stroke:{dark}}}'
        for light, dark in TWINS.items()
    )
    return f"<style>@media (prefers-color-scheme:dark){{{rules}}}</style>"


def grey(colour: str) -> str:
    """The grey of the same luminance."""
    y = luminance(linear(colour))
    level = round(255 * (12.92 * y if y <= 0.0031308 else 1.055 * y ** (1 / 2.4) - 0.055))
    return f"#{level:02x}{level:02x}{level:02x}"


def luminance(rgb: np.ndarray) -> float:
    """Relative luminance of linear RGB (WCAG 2)."""
    return float(_LUMINANCE @ rgb)


def linear(colour: str) -> np.ndarray:
    """Linear RGB of a colour written as #rrggbb."""
    v = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
