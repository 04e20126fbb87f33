"""What is known of a green piece's moisture before anything of it is weighed."""

from __future__ import annotations

import numpy as np

from woodlab.wood.species import species_facts

SPECIES_PCT = 25.0  # scatter of a piece about the table's mean [% of it]; an estimate of our own
UNKNOWN_GREEN = (75.0, 0.5)  # median [%] and sd of ln, where the species table has no figure


def green_of_species(name: str) -> tuple[float, float]:
    """Mean and scatter of the green moisture [%] by the species table; NaN where it is silent.

    Examples
    --------
    >>> green_of_species("no such wood")
    (nan, nan)
    """
    figures = species_facts(name).figures
    mean, heart, sap = (
        figures[key] for key in ("green_moisture_pct", "green_heartwood_pct", "green_sapwood_pct")
    )
    parts = [value for value in (heart, sap) if np.isfinite(value)]
    if not np.isfinite(mean):
        if not parts:
            return np.nan, np.nan
        mean = float(np.mean(parts))
    # heartwood or sapwood is not known: anywhere between them is as likely
    apart = (max(parts) - min(parts)) / np.sqrt(12) if len(parts) == 2 else 0.0
    return float(mean), float(np.hypot(SPECIES_PCT / 100 * mean, apart))
