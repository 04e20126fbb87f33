"""The cautions of the shop, worded once for every study, notebook and article.

General workshop cautions, common practice with no source of our own: they replace neither a
maker's data sheet, nor the rules of the place, nor the advice of those licensed to give it.
"""

from __future__ import annotations

CRACKED_WOOD = (
    "Cracked wood can fly apart on the lathe. Inspect every blank before it is mounted, start "
    "slowly, stand out of the line of throw and wear a face shield. Never mount a blank you doubt. "
    "A glued crack is not a sound piece."
)
DUST = (
    "Dust harms the lungs, and some woods irritate skin or cause allergies. Extract dust at its "
    "source and wear a mask that fits."
)
HOT_WAX = (
    "Hot wax burns and can catch fire. Warm it in a water bath or a vessel with a thermostat, "
    "never over a flame, and never leave it. Smother a fire with a lid, never with water."
)
OVEN = (
    "Wood in an oven can smoulder and give off fumes. Never use an oven in which you cook food. "
    "Stay just above the boiling point of water and beside the oven, and dry no sealed or waxed "
    "wood in it."
)
GLUE = (
    "Thin instant glue bonds skin, its vapour stings eyes and lungs, and on cloth or paper it can "
    "grow hot enough to smoke. Use fresh air, eye cover and gloves that it does not melt into."
)
FINISH = (
    "Food bowls need a finish whose maker calls it fit for food once cured. Rags with drying oil "
    "can catch fire by themselves: dry them flat outdoors or keep them under water in a lidded "
    "metal can."
)
ADVICE = (
    "These are general cautions. Makers' data sheets, local rules and people licensed to advise on "
    "fire, electricity, machines and health come first."
)


def in_short(caution: str) -> str:
    """The first sentence of a caution, for a summary; the whole stands in `cautions`."""
    return caution.split(". ")[0] + "."


ALL = (CRACKED_WOOD, DUST, HOT_WAX, OVEN, GLUE, FINISH, ADVICE)
