"""How much wall to leave, and how much is too much: geometry, cracks, and the book's own rims."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pandas as pd

import woodlab as wl
from woodlab.article.asked import BARE, Asked
from woodlab.article.findings import Figure, Finding, Part, first_sentence, written
from woodlab.article.forms import Forms
from woodlab.article.plain import short_name
from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError
from woodlab.studies.movement.wall_window import wall_window

FINISHED_WALL_MM = 8.0
HEIGHT_SHARE = 0.4
USUAL_RIM_MM = 250.0
MAX_RISK, BY_DAY = 0.1, 120.0
_MOST_SPECIES = 6
_RATIO = "across the grain, measured/expected"


def walls_part(asked: Asked, forms: Forms) -> Part:
    """Smallest rough wall by species, thickest wall that seldom cracks, rims against the table."""
    book = asked.book
    rim = _finished_rim(book)
    species = [str(name) for name in book.pieces["species"].value_counts().index[:_MOST_SPECIES]]
    thinnest, unknown = [], []
    for name in species:
        try:
            thinnest.append(_thinnest(name, rim, forms))
        except WoodlabError as error:
            unknown.append(f"what wall {short_name(name)} needs: {first_sentence(error)}")
    thickest, told_thickest, silent, limits = _thickest(asked, forms)
    moved, told_moved, silent_moves = _moved(asked, forms)
    return Part(
        findings=(*thinnest, *thickest, *moved),
        told=(*_told(thinnest, rim, forms), *told_thickest, *told_moved),
        figures=_figure([found.where["species"] for found in thinnest], rim, limits, forms),
        unknown=(*unknown, *silent, *silent_moves),
        method=(
            "The rough wall is carried through the geometry of a drying wedge of log, with the "
            "published shrinkage of each species and its scatter between trees.",
        )
        if thinnest
        else (),
    )


def _finished_rim(book: RecordBook) -> float:
    """A finished rim that suits the book's rough ones: a tenth less than their median."""
    median = float(book.pieces["rim_mm"].median())
    return math.floor(median * 0.9 / 10) * 10.0 if median >= 100 else USUAL_RIM_MM


def _thinnest(species: str, rim: float, forms: Forms) -> Finding:
    height = HEIGHT_SHARE * rim
    answer = wl.rough_wall(species, rim, height, FINISHED_WALL_MM)
    text = forms.number(math.ceil(answer.wall_mm))
    return Finding(
        key=f"walls.rough.{species}", value=answer.wall_mm, ci_lower=math.nan, ci_upper=math.nan,
        unit="mm", n_pieces=0,
        call=f"wl.rough_wall({species!r}, {rim:g}, {height:g}, {FINISHED_WALL_MM:g}).wall_mm",
        where={"species": species}, text=text,
    )  # fmt: skip


def _told(thinnest: Sequence[Finding], rim: float, forms: Forms) -> list[str]:
    if not thinnest:
        return []
    walls = [f"{found.text} mm in {short_name(found.where['species'])}" for found in thinnest]
    return [
        f"For a finished bowl {forms.number(rim)} mm wide with a wall of "
        f"{forms.number(FINISHED_WALL_MM)} mm, published shrinkage asks for a rough wall of at "
        f"least {forms.listed(walls)}; that is enough for nineteen trees in twenty, and comes "
        "from tables and geometry, not from this season's pieces; stress, knots, an uneven wall "
        "and what the chuck needs come on top, and it says nothing of cracks"
    ]


def _thickest(
    asked: Asked, forms: Forms
) -> tuple[list[Finding], list[str], list[str], pd.DataFrame | None]:
    """Walls at which bare pieces seldom crack; where the data cannot say, that."""
    try:
        limits = asked.cracks.thickest_wall(MAX_RISK, BY_DAY)
    except WoodlabError:  # said in the section on cracks
        return [], [], [], None
    bare = limits[limits["seal"].str.casefold() == BARE]
    known = bare[bare["wall_mm"].notna()]
    findings = [_limit(row, forms) for row in known.to_dict("records")]
    risk = f"{forms.number(100 * MAX_RISK)} %"
    what = f"the chance of a crack by day {forms.number(BY_DAY)} stays below {risk}"
    told = []
    if findings:
        walls = [
            f"{found.text} mm in {short_name(found.where['species'])} "
            f"({forms.count(found.n_pieces, 'piece')})"
            for found in findings
        ]
        told = [f"For bare walls up to {forms.listed(walls)} we can say that {what}"]
    open_ones = [short_name(name) for name in bare["species"][bare["wall_mm"].isna()]]
    silent = (
        [f"up to which bare wall {what} the data cannot say in {forms.listed(open_ones)}"]
        if open_ones
        else []
    )
    return findings, told, silent, limits


def _limit(row: dict[str, Any], forms: Forms) -> Finding:
    # already the wall at which the upper limit of the risk reaches the level: no range of its own
    value, lower, upper = float(row["wall_mm"]), math.nan, math.nan
    form = written(forms, value, lower, upper)
    species = str(row["species"])
    return Finding(
        key=f"walls.thickest.{species}", value=value, ci_lower=lower, ci_upper=upper, unit="mm",
        n_pieces=int(row["n_pieces"]),
        call=f"wl.crack_study(book).thickest_wall({MAX_RISK:g}, {BY_DAY:g})",
        where={"species": species, "seal": row["seal"]}, **form,
    )  # fmt: skip


def _moved(asked: Asked, forms: Forms) -> tuple[list[Finding], list[str], list[str]]:
    """Movement across the grain, measured over expected, by species."""
    try:
        estimates = asked.movement.estimates
    except WoodlabError as error:
        return [], [], [f"whether rims moved as the tables say: {first_sentence(error)}"]
    rows = estimates[(estimates["figure"] == _RATIO) & estimates["estimate"].notna()]
    findings = [_move(row, forms) for row in rows.to_dict("records")]
    if not findings:
        return [], [], ["whether rims moved as the tables say: no species has enough rims for it"]
    sure = rows.set_index("species")["certainty"]
    groups: dict[str, list[str]] = {}
    for found in findings:
        species = found.where["species"]
        numbers = f"{short_name(species)} ({found.text}, {found.span}; "
        numbers += f"{forms.count(found.n_pieces, 'piece')})"
        way = "more" if found.value > 1 else "less"
        said = {
            "clear": f"moved {way} than the tables say",
            "likely": f"probably moved {way} than the tables say",
            "open": "showed no clear departure from the tables",
        }.get(sure[species], "")
        groups.setdefault(said, []).append(numbers)
    told = [
        f"Across the grain, rims of {forms.listed(names)} {said}; the figures are measured over "
        "expected"
        for said, names in groups.items()
        if said
    ]
    unsure = groups.get("", [])
    unknown = [f"whether rims of {forms.listed(unsure)} moved as the tables say: one log is too "
               "few"]  # fmt: skip
    return findings, told, unknown if unsure else []


def _move(row: dict[str, Any], forms: Forms) -> Finding:
    value, lower, upper = (float(row[name]) for name in ("estimate", "ci_lower", "ci_upper"))
    form = written(forms, value, lower, upper, no_difference=1.0)
    return Finding(
        key=f"walls.moved.{row['species']}", value=value, ci_lower=lower, ci_upper=upper,
        unit="ratio", n_pieces=int(row["n_pieces"]), n_logs=int(row["n_logs"]),
        call="wl.movement_study(book).estimates",
        where={"species": row["species"], "figure": _RATIO},
        certainty=str(row["certainty"]), **form,
    )  # fmt: skip


def _figure(
    species: Sequence[str], rim: float, limits: pd.DataFrame | None, forms: Forms
) -> tuple[Figure, ...]:
    """The window of up to three species, over finished sizes about the usual one."""
    from woodlab.charts.studies.bowls import wall_window_chart

    if limits is None:
        return ()
    known = set(limits["species"][limits["wall_mm"].notna()])
    if not known & set(species):
        return ()
    drawn = sorted(species, key=lambda name: name not in known)[:3]
    rims = [round(part * rim / 10) * 10.0 for part in (0.6, 0.8, 1.0, 1.2, 1.4)]
    frame = wall_window(drawn, rims, wall_mm=FINISHED_WALL_MM, thickest=limits)
    at = frame[(frame["rim_mm"] == rims[2])]
    told = "; ".join(
        f"{short_name(name)}: leave {forms.number(math.ceil(part['thinnest_mm'].iloc[0]))} mm or "
        "more"
        + "".join(
            f", {short_name(row['seal'])} at most {forms.number(row['thickest_mm'])} mm"
            for row in part[part["thickest_mm"].notna()].to_dict("records")
        )
        for name, part in at.groupby("species", sort=False)
    )
    chart = wall_window_chart(frame).properties(
        description=f"Rough wall for a finished bowl {forms.number(rims[2])} mm wide. {told}."
    )
    caption = (
        "The window for the rough wall by finished width: in the shaded part a round bowl may not "
        "fit; above a seal's line more than "
        f"{forms.number(100 * MAX_RISK)} % crack by day {forms.number(BY_DAY)}."
    )
    return (Figure("walls", chart, caption),)
