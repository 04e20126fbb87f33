"""Charts in the units to answer in: frames are in millimetres and grams, what is read need not be.

A column is a measure by the end of its name, `_mm` or `_g`. Frames go through `drawing`, axes and
tips through `measure`, all words through `said`: nothing else in this room knows of units.
"""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.show import NAMES, answers
from woodlab.words import METRIC


def measure(field: str) -> tuple[float, str]:
    """How many millimetres or grams the unit is in which a field is drawn, and its name.

    (1, "") of all that is drawn as it is in the frame.
    """
    name = field.partition(":")[0]
    unit = next((end for end in ("mm", "g") if name.endswith(f"_{end}")), "")
    size, shown = answers().of_axis(unit, fine=name.startswith("residual"))
    return (1.0, "") if shown == unit else (size, shown)


def drawing(frame: pd.DataFrame) -> Any:
    """A chart to be, of this frame, its measures and words in the units to answer in."""
    if answers() != METRIC:
        own = [name for name in frame if measure(str(name))[1]]
        text = [name for name in frame.select_dtypes(["object", "string"]) if name not in NAMES]
        frame = frame.assign(
            **{name: frame[name].astype(float) / measure(name)[0] for name in own},
            **{name: frame[name].map(said) for name in text if name not in own},
        )
    return altair.Chart(frame)


def said(words: Any, field: str = "") -> Any:
    """Words with their quantities, and their `[mm]` and `[g]`, in the units to answer in."""
    if isinstance(words, list):
        return [said(line, field) for line in words]
    if not isinstance(words, str) or answers() == METRIC:
        return words
    for unit in ("mm", "g"):
        words = words.replace(f"[{unit}]", f"[{measure(field or f'_{unit}')[1] or unit}]")
    return answers().told(words)
