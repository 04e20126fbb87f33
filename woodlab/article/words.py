"""Words chosen by the interval: clear, likely, alike, cannot tell."""

from __future__ import annotations

import math
from enum import StrEnum

from scipy.stats import norm

# "Likely" is read off the 80 % interval, "alike" off ratios that stay within a tenth of one.
LIKELY_LEVEL = 0.80
ALIKE = (0.9, 1.1)


class Certainty(StrEnum):
    """How far the interval of a comparison lets one speak."""

    CLEAR = "clear"
    LIKELY = "likely"
    ALIKE = "alike"
    CANNOT_TELL = "cannot tell"


def certainty_of_ratio(
    ratio: float, ci_lower: float, ci_upper: float, level: float = 0.95
) -> Certainty:
    """What may be said of a ratio whose value 1 means no difference.

    Parameters
    ----------
    ratio, ci_lower, ci_upper : float
        Estimate and the ends of its interval at `level`; an end may be infinite or missing,
        and then nothing is concluded from that side.

    Returns
    -------
    Certainty
        CLEAR when the interval leaves out 1; ALIKE when it stays within 0.9 to 1.1; LIKELY
        when the 80 % interval (each side of the given one shrunk on the logarithm, as a normal
        law has it) leaves out 1; else CANNOT_TELL.

    Examples
    --------
    >>> certainty_of_ratio(3.1, 2.6, 3.7).value, certainty_of_ratio(1.3, 0.9, 1.9).value
    ('clear', 'likely')
    >>> certainty_of_ratio(1.1, 0.7, 1.7).value, certainty_of_ratio(1.0, 0.95, 1.06).value
    ('cannot tell', 'alike')
    """
    lower = ci_lower if math.isfinite(ci_lower) and ci_lower > 0 else 0.0
    upper = ci_upper if math.isfinite(ci_upper) else math.inf
    if lower >= ALIKE[0] and upper <= ALIKE[1]:
        return Certainty.ALIKE
    if lower > 1 or upper < 1:
        return Certainty.CLEAR
    if not (math.isfinite(ratio) and ratio > 0):
        return Certainty.CANNOT_TELL
    shrink = norm.ppf(0.5 + LIKELY_LEVEL / 2) / norm.ppf(0.5 + level / 2)
    centre = math.log(ratio)
    inner_lower = centre + shrink * (math.log(lower) - centre) if lower > 0 else -math.inf
    inner_upper = centre + shrink * (math.log(upper) - centre) if upper < math.inf else math.inf
    return Certainty.LIKELY if inner_lower > 0 or inner_upper < 0 else Certainty.CANNOT_TELL


def certainty_of_difference(
    difference: float, ci_lower: float, ci_upper: float, level: float = 0.95
) -> Certainty:
    """The same for a difference whose value 0 means none; there is no ALIKE without a measure.

    Examples
    --------
    >>> certainty_of_difference(2.0, 0.5, 3.5).value
    'clear'
    """
    if not math.isfinite(difference):
        return Certainty.CANNOT_TELL
    lower = ci_lower if math.isfinite(ci_lower) else -math.inf
    upper = ci_upper if math.isfinite(ci_upper) else math.inf
    if lower > 0 or upper < 0:
        return Certainty.CLEAR
    shrink = norm.ppf(0.5 + LIKELY_LEVEL / 2) / norm.ppf(0.5 + level / 2)
    inner_lower = difference + shrink * (lower - difference)
    inner_upper = difference + shrink * (upper - difference)
    return Certainty.LIKELY if inner_lower > 0 or inner_upper < 0 else Certainty.CANNOT_TELL


def compared(
    certainty: Certainty, more: bool, *, subject: str, verb: str, longer: str, shorter: str
) -> str:
    """The claim of a comparison, without its numbers.

    Examples
    --------
    >>> compared(Certainty.LIKELY, True, subject="Waxed pieces", verb="dried",
    ...          longer="more slowly than bare ones", shorter="faster than bare ones")
    'Waxed pieces probably dried more slowly than bare ones'
    """
    if certainty is Certainty.CLEAR:
        return f"{subject} {verb} {longer if more else shorter}"
    if certainty is Certainty.LIKELY:
        return f"{subject} probably {verb} {longer if more else shorter}"
    start = subject[:1].lower() + subject[1:]
    if certainty is Certainty.ALIKE:
        return f"{subject} {verb} neither {longer} nor {shorter}, within a tenth"
    return f"Whether {start} {verb} {longer} or {shorter} we cannot tell"
