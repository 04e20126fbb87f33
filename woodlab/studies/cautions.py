"""The cautions of the shop, worded once for every study, notebook and article.

General workshop cautions, common practice with no source of our own: they replace neither a
maker's data sheet, nor the rules of the place, nor the advice of those licensed to give it.
"""

from __future__ import annotations

CRACKED_WOOD = (
    "Cracked wood can fly apart on the lathe. Look over each blank before it is mounted, turn "
    "slowly at first, stand out of the line of throw, wear a face shield, and leave a blank that "
    "you doubt off the lathe. A glued crack is not a sound piece."
)
DUST = (
    "Wood dust harms the lungs, and some species also irritate skin or cause allergies. Take the "
    "dust away where it arises and wear a fitting mask."
)
HOT_WAX = (
    "Hot wax burns skin and can catch fire. Warm it in a water bath or a vessel with a "
    "thermostat, never over an open flame, never unattended, with a lid at hand to smother a "
    "fire and no water near hot wax."
)
OVEN = (
    "Wood dried in an oven can smoulder and give off fumes. Keep a food oven out of it, hold the "
    "temperature just above the boiling point of water, stay with it, and dry no sealed or "
    "waxed wood in it."
)
GLUE = (
    "Thin instant glue sticks skin, its vapour stings eyes and lungs, and soaked into paper or "
    "cloth it can grow hot enough to smoke. Use it with fresh air, gloves that it does not melt "
    "into, and eye cover."
)
FINISH = (
    "A bowl for food needs a finish whose maker states it fit for food when fully cured. Rags "
    "with drying oil can catch fire by themselves: spread them flat out of doors or keep them "
    "under water in a lidded metal can."
)
ADVICE = (
    "These are general cautions. Follow the makers' data sheets and local rules, and ask those "
    "who are licensed to advise on fire, electricity, machines and health."
)


def in_short(caution: str) -> str:
    """The first sentence of a caution, for a summary; the whole stands in `cautions`.

    Examples
    --------
    >>> in_short(CRACKED_WOOD)
    'Cracked wood can fly apart on the lathe.'
    """
    return caution.split(". ")[0] + "."


ALL = (CRACKED_WOOD, DUST, HOT_WAX, OVEN, GLUE, FINISH, ADVICE)
