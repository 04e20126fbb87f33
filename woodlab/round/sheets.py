"""A round to carry: a workbook or a page to fill in, or paper."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path

from jinja2 import BaseLoader, Environment

from woodlab.errors import WoodlabError, as_path, kind_of
from woodlab.round.core import ACTIONS, CRACKS, FORMAT, UNITS, Round, round_of
from woodlab.round.workbook import workbook
from woodlab.safe_write import locked, write_file
from woodlab.week.shop_round import ShopRound
from woodlab.words import Units


def write_round(
    tour: ShopRound, path: str | Path, *, most: int | None = None, unit: Units | str | None = None
) -> Path:
    """Write a round to fill in.

    Parameters
    ----------
    tour : ShopRound
        From `shop_round`.
    path : path
        Ends in .xlsx (a sheet to fill in, taken back by `add_round`), .html (a page to type into
        at the scales, without a network; its export is taken back likewise) or .pdf (paper).
    most : int, optional
        At most so many bowls, those to weigh first.
    unit : {"g", "kg", "lboz"} or Units, optional
        Of what is to be typed: grams, kilograms, pounds and ounces with inches; as the book is
        kept unless given.

    Returns
    -------
    Path

    Raises
    ------
    WoodlabError
        If nothing is due, or the path or the unit is not one of these.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3"]).until("2025-04-09")
    >>> tour = wl.shop_round(wl.fit_drying(book, law="exponential"), on="2025-04-10")
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> wl.write_round(tour, folder / "round.html", most=40).name
    'round.html'
    """
    if not hasattr(tour, "due"):
        raise WoodlabError(
            f"write_round needs a round and was given {kind_of(tour)}. Make one first: "
            "wl.shop_round(fits, on='2026-06-20')."
        )
    path = as_path(path, "write_round")
    kind = path.suffix.casefold()
    units = tour.units if unit is None else unit
    if not isinstance(units, Units):
        if units not in UNITS:
            raise WoodlabError(f"unit = {unit!r} is not known. Choose from: {', '.join(UNITS)}.")
        units = Units(units, "in" if units == "lboz" else "mm")
    if most is not None and most < 1:
        raise WoodlabError(f"most must be 1 or more (found {most!r}).")
    if not len(tour):
        raise WoodlabError("Nothing is due this week, so there is no round to write.")
    if kind == ".pdf":
        return tour.sheet(path, units=units)
    made = round_of(tour, most, units)
    if kind not in (".xlsx", ".html", ".htm"):
        raise WoodlabError(f"A round is written to .xlsx, .html or .pdf, not to {path.name!r}.")
    with locked(path):
        write_file(path, workbook(made) if kind == ".xlsx" else page(made).encode())
    return path


def page(made: Round) -> str:
    """The page to type into at the scales, as HTML: one file, no network.

    Its content security policy lets no script but its own run, and nothing leave the device.
    """
    here = files("woodlab.round")
    style, script, form = (
        here.joinpath(f"round.{end}").read_text("utf-8") for end in ("css", "js", "html.j2")
    )
    data = asdict(made) | {"bowls": [bowl._asdict() for bowl in made.bowls], "format": FORMAT,
                           "cracks": CRACKS, "actions": ACTIONS}  # fmt: skip
    template = Environment(loader=BaseLoader(), autoescape=True).from_string(form)
    return template.render(made=made, data=data, style=style, script=script, hash=_hash)


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
