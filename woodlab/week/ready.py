"""The answer of every week: what to turn now, what has cracked, what waits and until when."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import pandas as pd

from woodlab import words
from woodlab.book.record_book import expect_book
from woodlab.drying.fit.fitting import fit_drying
from woodlab.drying.fit.results import DryingFits
from woodlab.drying.forecast.ready import forecast_ready
from woodlab.errors import WoodlabError
from woodlab.show import Card, Shown, aligned, listed, units_named
from woodlab.studies.cautions import CRACKED_WOOD
from woodlab.studies.cracks.intervals import GREW_MM
from woodlab.week.bowls import (
    PROBABLY,
    READY,
    Odd,
    bowls_of,
    by_shelf,
    club_of,
    last_day,
    odd_weights,
    this_week,
)  # fmt: skip
from woodlab.week.shop_round import due_by_age
from woodlab.words import METRIC, Units

STALE_DAYS = 21  # after so long without a weight the list says how old it is
NOT_NOTED = "no maker noted"
FEW = 12  # more marks than these are left to the table


@dataclass(frozen=True)
class Section:
    """A part of the ready list: a title with its count, notes, marks by place, or a table."""

    key: str
    title: str
    notes: tuple[str, ...] = ()
    marks: Sequence[tuple[str, list[str]]] = ()
    headings: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, eq=False, repr=False)
class ReadyList(Shown):
    """Which bowls may go back on the lathe, as of a day. Made by `ready_list`.

    Attributes
    ----------
    bowls : DataFrame
        `forecast_ready` with a row a bowl, in exactly one `group`: `gone` (finished, scrapped,
        given away), `cracked`, `ready`, `probably` (weigh once more first), `waiting`; and of its
        crack `state` (`none`, `open`, `glued`, `unknown`), `crack_on`, `last_mm`, `glued_on`.
    week : dict
        Marks to `weigh` and to `look` at this week, `weigh_first` and `look_first` before them.
    odd : tuple
        Odd weights, a line an event.
    day : Timestamp
    fits : DryingFits
    units : Units
        In which it is worded.
    who : str
        The member that it is for; empty for everybody.
    """

    bowls: pd.DataFrame
    week: dict[str, list[str]]
    odd: tuple[Odd, ...]
    day: pd.Timestamp
    fits: DryingFits
    units: Units = METRIC
    who: str = ""

    @property
    def name(self) -> str:
        """The book's name."""
        return self.fits.book.name

    @property
    def makers(self) -> list[str]:
        """Members of whom bowls are still on a shelf, in order."""
        here = self.bowls[self.bowls["group"] != "gone"]
        return words.in_order(here["maker"].unique())

    def of(self, maker: str) -> ReadyList:
        """The list of one member, from the same fits.

        Raises
        ------
        WoodlabError
            If no bowl is theirs.
        """
        own = self.bowls[self.bowls["maker"] == maker].reset_index(drop=True)
        if not len(own):
            there = ", ".join(words.in_order(self.bowls["maker"].unique()))
            raise WoodlabError(f"No bowl is of the maker {maker!r}. The book has: {there}.")
        mine = set(own["piece"])
        week = {what: [p for p in marks if p in mine] for what, marks in self.week.items()}
        odd = tuple(one for one in self.odd if mine & set(one.pieces))
        return replace(self, bowls=own, week=week, odd=odd, who=maker)

    def group(self, *names: str) -> pd.DataFrame:
        """The bowls of some groups, one after the other, each the soonest first."""
        order = self.bowls["group"].map(dict(zip(names, range(len(names)), strict=True)))
        own = self.bowls.assign(_order=order)[order.notna()]
        own = own.sort_values(["_order", "ready_on", "piece"], na_position="last", kind="stable")
        return own.drop(columns="_order").reset_index(drop=True)

    def line(self) -> str:
        """One line, as for a member of a club."""
        n = {name: len(self.group(name)) for name in ("ready", "cracked", "probably", "waiting")}
        weigh, look = (len(self.week[f"{w}_first"]) + len(self.week[w]) for w in ("weigh", "look"))
        probably = f"{n['probably']} probably dry, " if n["probably"] else ""
        return (
            f"{n['ready']} to turn now, {n['cracked']} cracked, {probably}{n['waiting']} not yet; "
            f"this week weigh {weigh}, look at {look}"
        )

    @property
    def frame(self) -> pd.DataFrame:
        """`bowls` in the order of the list: cracked first, those that are gone last."""
        return self.group("cracked", "ready", "probably", "waiting", "gone")

    @property
    def waiting(self) -> pd.DataFrame:
        """The bowls that are not dry enough yet, the soonest first."""
        return self.group("probably", "waiting")

    def card(self) -> Card:
        """Who is cracked, who can be turned; the table holds every bowl still on a shelf."""
        here = self.group("cracked", "ready", "probably", "waiting")
        headings, rows = self._table(here, {
            "bowl": lambda r: r.piece,
            "moisture now":
                lambda r: "" if pd.isna(r.moisture_now_pct) else f"{r.moisture_now_pct:.1f} %",
            "chance it is dry": lambda r: words.chance(r.p_ready_now),
            "dry enough": self._done, "crack": self._crack,
            "wood": lambda r: str(r.species), "seal": lambda r: str(r.seal),
        })  # fmt: skip
        ready, cracked, probably = (
            words.in_order(self.group(name)["piece"]) for name in ("ready", "cracked", "probably")
        )
        dry = int((self.group("cracked")["p_ready_now"] >= READY).sum())
        line = self.line().split(";")[0]
        line = f"Nothing{line[1:]}" if line.startswith("0 ") else words.opened(line)
        says = [
            f"{self._headline(words.opened(club_of(self.fits.book)))} {line}.",
            f"Cracked, so look before anything else ({dry} of {len(cracked)} dry enough): "
            f"{listed(cracked, 100)}." if cracked else "",
            f"Turn now: {listed(ready, FEW)}." if 0 < len(ready) <= FEW else "",
            f"Probably dry; weigh once more first: {listed(probably, 100)}." if probably else "",
            *self.stale(),
            *_never_looked(self.group("ready")),
            f"Dry enough means {self._target()} moisture or less on average through the wall, with "
            f"at least {100 * READY:.0f} chances in 100." if len(here) else "",
            CRACKED_WOOD.split(". ")[0] + ".",
            "These records are invented." if self.fits.book.invented else "",
        ]  # fmt: skip
        return Card(
            tuple(said for said in says if said), headings,
            tuple(name in headings[1:3] for name in headings), rows,
            f"{words.opened(words.count(len(here)))}, as of {words.day(self.day)}, cracked first",
            ("ready.frame", "ready.waiting", "ready.text()", "ready.of(maker)"),
        )  # fmt: skip

    def _table(
        self, bowls: pd.DataFrame, columns: dict[str, Callable[[Any], str]]
    ) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
        """Headings, and a row a bowl; its place, where there are several."""
        if self._several():
            columns = columns | {"place": lambda r: r.shelf}
        rows = (tuple(say(r) for say in columns.values()) for r in bowls.itertuples())
        return tuple(columns), tuple(rows)

    def _several(self) -> bool:
        return self.bowls["shelf"].nunique() > 1

    def _target(self) -> str:
        return words.target(self.bowls["target_moisture_pct"].median())

    def sections(self) -> list[Section]:
        """Turn now, cracked, not yet, odd weights, this week: each bowl in one of the first."""
        ready, cracked, coming = self.group("ready"), self.group("cracked"), self.waiting
        cracked = cracked.assign(_open=cracked["state"] == "open")
        cracked = cracked.sort_values(["_open", "last_mm"], ascending=False, kind="stable")
        not_yet = "Probably or not yet" if len(self.group("probably")) else "Not yet"
        dry = (f"At or below {self._target()} moisture with at least {100 * READY:.0f} chances in "
               "100, and no crack at the last look. Look again before you mount.",
               *_never_looked(ready))  # fmt: skip
        unseen = "No look has found a crack."
        if len(self.bowls) and self.bowls["last_look_on"].isna().all():
            unseen = "No look for cracks is noted. A bowl that nobody looked at may have one."
        odd = (
            (" and ".join(o.pieces), words.day(o.on, self.day), o.what, o.do, o.used)
            for o in self.odd
        )
        return [
            Section("turn", f"Turn now: {len(ready)}", dry if len(ready) else ("None yet.",),
                    by_shelf(ready["piece"], self.bowls)),
            Section("cracked", f"Cracked, look before you mount: {len(cracked)}",
                    (CRACKED_WOOD if len(cracked) else unseen,), (), *self._table(cracked, {
                        "mark": lambda r: r.piece, "crack": self._crack,
                        "since": lambda r: words.day(r.crack_on, self.day),
                        "dry enough": self._when})),
            Section("wait", f"{not_yet}: {len(coming)}", () if len(coming) else ("None.",), (),
                    *self._table(coming, {
                        "mark": lambda r: r.piece, "about": lambda r: self._dates(r)[0],
                        "nine chances in ten": lambda r: self._dates(r)[1]})),
            Section("odd", f"Odd weights: {len(self.odd)}", (), (),
                    ("mark", "weighed", "what is odd", "what to do", "meanwhile"), tuple(odd)),
            self._work("weigh", "Weigh", "since they may be dry"),
            self._work("look", "Look at", "since their cracks are open"),
        ]  # fmt: skip

    def _work(self, what: str, said: str, why: str) -> Section:
        urgent, rest = self.week[f"{what}_first"], self.week[what]
        notes = (f"First, {why}: {', '.join(urgent)}.",) if urgent else ()
        title = f"{said} this week: {len(urgent) + len(rest)}"
        return Section(what, title, notes, by_shelf(rest, self.bowls))

    def text(self) -> str:
        """The list as plain text, as `woodlab ready` prints it."""
        out = [self._headline(self.name), *self.stale()]
        for section in self.sections():
            out += ["", section.title.upper(), *(f"  {note}" for note in section.notes)]
            for place, marks in section.marks:
                out.append(f"  {f'{place}: ' if self._several() else ''}{' '.join(marks)}")
            if section.rows:
                out += [f"  {line}" for line in aligned([section.headings, *section.rows])]
        return "\n".join(out)

    def _headline(self, whose: str) -> str:
        gone = len(self.group("gone"))
        left = f" ({gone} more {'has' if gone == 1 else 'have'} left the shelf)" if gone else ""
        here = words.count(len(self.bowls) - gone)
        who = f"{self.who}, " if self.who else ""
        return f"{who}{whose}, {words.day(self.day)}: {here} on the shelf{left}."

    def stale(self) -> list[str]:
        """How old the weights are, where they are old."""
        last = self.bowls["last_weighed_on"].max()
        days = 0 if pd.isna(last) else (self.day.normalize() - last.normalize()).days
        return [f"The last weight is {days} days old: weigh first."] if days > STALE_DAYS else []

    def _crack(self, r: Any) -> str:
        if r.state not in ("open", "glued"):
            return "not looked at" if r.state == "unknown" else ""
        size = self.units.length_of(r.last_mm) if r.last_mm > 0 else "not measured"
        size = "closed" if r.last_mm == 0 else size
        glued = words.day(r.glued_on, self.day)
        if r.state == "glued":
            return f"glued {glued}, {size}"
        if not glued:
            return f"open, {size}"
        was = r.glued_mm if pd.notna(r.glued_mm) else r.first_mm
        since = "a little longer" if r.last_mm <= was + GREW_MM else "grown"
        return f"open, {size}, {since} since glued {glued}"

    def _done(self, r: Any) -> str:
        """When it is dry enough; of a cracked bowl that it is cracked, before anything else."""
        when = self._when(r)
        if r.group == "cracked":
            return f"CRACKED; dry: {when}"
        return f"{when}: turn now" if r.group == "ready" else when

    def _when(self, r: Any) -> str:
        about, between = self._dates(r)
        return f"{about} ({between})" if between else about

    def _dates(self, r: Any) -> tuple[str, str]:
        """About when, and between which days; or why there is no date."""
        if r.p_ready_now >= READY:
            return "yes", ""
        if r.p_ready_now >= PROBABLY:
            return f"probably now, {min(9, round(10 * r.p_ready_now))} in 10: weigh once more", ""
        if pd.isna(r.ready_on):
            return "no date: it may not get there in this air", ""
        if r.ready_on <= self.day:
            return "was dry, has taken up water", ""
        early = max(r.earliest_on, self.day)
        return words.day(r.ready_on, self.day), words.dates(early, r.latest_on, self.day)


def ready_list(
    fits_or_book: Any,
    as_of: str | pd.Timestamp | None = None,
    target_moisture_pct: float | None = None,
    *,
    units: Units | str | None = None,
) -> ReadyList:
    """Which bowls to turn now, which have cracked, which wait and until when, and this week's work.

    Parameters
    ----------
    fits_or_book : DryingFits or RecordBook
        A book is fitted by `fit_drying` as it stood on the day.
    as_of : date, optional
        Nothing after this day is used; the last day on record unless given.
    target_moisture_pct : float, optional
        As for `forecast_ready`.
    units : Units or str, optional
        To word it in, one of "g-mm", "kg-mm", "lb-in"; the book's own unless given.

    Returns
    -------
    ReadyList
        Shows itself; `text()`, `sections()`, `bowls`, and `of(maker)` for one member.

    Raises
    ------
    WoodlabError
        If neither a book nor fits are given, or nothing can be fitted.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "C1"]).until("2025-06-01")
    >>> ready = wl.ready_list(wl.fit_drying(book, law="slab"))
    >>> ready.bowls[["piece", "group"]].values.tolist()
    [['A1', 'waiting'], ['A3', 'ready'], ['C1', 'cracked']]
    """
    book = expect_book(fits_or_book, "ready_list")
    as_of = as_of or last_day(book)
    past = book.until(as_of)
    fits = fit_drying(past, as_of=as_of) if fits_or_book is book else fits_or_book
    ready = forecast_ready(fits, as_of, target_moisture_pct)
    day = pd.Timestamp(ready["as_of"].iloc[0])
    maker = ready["piece"].map(past.pieces.set_index("piece")["maker"]).astype(object)
    bowls = bowls_of(ready.assign(maker=maker.where(maker.notna(), NOT_NOTED)), past, day)
    units = units_named(units) or book.units
    odd = odd_weights(SimpleNamespace(book=past, fits=fits, day=day), units)
    week = this_week(bowls, due_by_age(past, day), day)
    return ReadyList(bowls, week, tuple(odd), day, fits, units)


def _never_looked(ready: pd.DataFrame) -> tuple[str, ...]:
    never = ready.loc[ready["last_look_on"].isna(), "piece"]
    return (f"Never looked at: {', '.join(words.in_order(never))}.",) if len(never) else ()
