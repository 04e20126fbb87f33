"""What a season's answers were worth, and the table of it."""

from __future__ import annotations

import numpy as np
import pandas as pd

COLUMNS = {
    "world": "world", "target": "target", "asked": "asked, days after the last turning",
    "seasons": "seasons", "pieces": "pieces", "open": "still open", "held": "held",
    "worst_season": "worst season", "before": "came before", "after": "came after",
    "error_days": "median error [days]", "bias_days": "forecast less truth, median [days]",
    "width_days": "median width [days]", "floor_days": "floor [days]",
    "now_error_pct": "moisture now, median error", "now_held": "moisture now, held",
    "now_worst": "worst season", "curve_error_pct": "`fits.predict`, median error",
    "curve_held": "`fits.predict`, held", "false_ready": "called ready, 3 points too wet",
    "seconds": "CPU [s]",
}  # fmt: skip
FAR_DAYS = 800.0  # what an interval without an end counts as, from the day of asking
DIGITS = {"held": 2, "worst_season": 2, "before": 2, "after": 2, "now_error_pct": 2, "now_held": 2,
          "now_worst": 2, "curve_error_pct": 2, "curve_held": 2, "error_days": 1, "bias_days": 1,
          "width_days": 0, "floor_days": 1, "seconds": 1}  # fmt: skip


def summary(rows: pd.DataFrame) -> list[dict[str, object]]:
    """A row of figures for each world, kind of target and day of asking."""
    keys = ["world", "target", "asked"]
    return [
        dict(zip(keys, (str(key[0]), str(key[1]), int(key[2])), strict=True)) | _figures(part)
        for key, part in rows.groupby(keys, sort=False)
    ]


def _figures(rows: pd.DataFrame) -> dict[str, object]:
    """Dates are judged on pieces that were above their target on the day of asking and whose true
    date is in sight; moisture on all."""
    still = rows[(rows["true"] > rows["day"]) & np.isfinite(rows["true"])]
    held = (still["early"] <= still["true"] + 0.5) & (still["true"] <= still["late"] + 0.5)
    far = still["day"] + FAR_DAYS
    error = np.minimum(still["ready"], far) - still["true"]
    now_held = (rows["low"] <= rows["now"]) & (rows["now"] <= rows["high"])
    curve = rows[rows["curve"].notna()]
    curve_held = (curve["curve_low"] <= curve["now"]) & (curve["now"] <= curve["curve_high"])
    return {
        "seasons": int(rows["seed"].nunique()), "pieces": len(rows), "open": len(still),
        "held": _number(held.mean()),
        "worst_season": _number(held.groupby(still["seed"]).mean().min()),
        "before": _number((still["true"] < still["early"] - 0.5).mean()),
        "after": _number((still["true"] > still["late"] + 0.5).mean()),
        "error_days": _number(error.abs().median()), "bias_days": _number(error.median()),
        "width_days": _number((np.minimum(still["late"], far) - still["early"]).median()),
        "floor_days": _number((np.minimum(still["floor"], far) - still["true"]).abs().median()),
        "now_error_pct": _number((rows["said"] - rows["now"]).abs().median()),
        "now_held": _number(now_held.mean()),
        "now_worst": _number(now_held.groupby(rows["seed"]).mean().min()),
        "curve_error_pct": _number((curve["curve"] - curve["now"]).abs().median()),
        "curve_held": _number(curve_held.mean()),
        "false_ready": int(((rows["p"] >= 0.95) & (rows["now"] > rows["goal"] + 3)).sum()),
        "seconds": _number(rows.groupby("seed")["seconds"].first().mean()),
    }  # fmt: skip


def _number(value: float) -> float | None:
    return round(float(value), 3) if np.isfinite(value) else None


def as_markdown(found: list[dict[str, object]]) -> str:
    """The figures as a Markdown table."""
    lines = ["| " + " | ".join(COLUMNS.values()) + " |", "|" + "---|" * len(COLUMNS)]
    for row in found:
        cells = []
        for name in COLUMNS:
            value = row[name]
            if value is None:
                cells.append("–")
            elif isinstance(value, float):
                sign = "+" if name == "bias_days" else ""
                cells.append(f"{value:{sign}.{DIGITS[name]}f}")
            else:
                cells.append(str(value))
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"
