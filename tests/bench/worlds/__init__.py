"""Seasons of known truth that are not the model: real weather, other sorption curves, what breaks.

Nothing here imports the package that is judged. `names`: worlds and seeds; `shop`, `season`: what
is drawn; `weather`, `sorption`, `wall`: of what it is made. `docs/calibration.md` describes them.
"""

from worlds.names import BREAKS, EXTRAS, SEEDS, World, worlds_named
from worlds.season import ABOVE_PCT, Season, Truth, draw_season

__all__ = ["ABOVE_PCT", "BREAKS", "EXTRAS", "SEEDS", "Season", "Truth", "World", "draw_season",
           "worlds_named"]  # fmt: skip
