"""The season and the maker's week: `woodlab season`, `ready`, `round` and `add`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from woodlab.commands import Commands, ask, command
from woodlab.errors import RecordError, WoodlabError
from woodlab.words import METRIC, SHOWN_UNITS

NOT_TAKEN = "Not taken; nothing was changed."

if TYPE_CHECKING:
    from collections.abc import Iterator

    from woodlab.week.ready import ReadyList


def put(commands: Commands) -> None:
    season = command(commands, "season", _season, "a season's records to notebooks and an article")
    season("--out", type=Path, required=True, help="the folder to write")
    season("--as-of", metavar="DATE", help="look at the book as of this day")
    again = "an earlier season's season.fits, yours or another club's; may be given again"
    season("--learn-from", type=Path, action="append", default=[], metavar="FITS", help=again)
    season("--club", metavar="NAME", help="whose season it is, for the front page")
    season("--locale", default="en_GB", help="form of numbers and dates: en_GB, de, fr")
    season("--paper", default="a4", choices=["a4", "us-letter"])

    ready = command(commands, "ready", _ready, "which bowls to turn now, and what to do this week")
    ready("--as-of", metavar="DATE", help="the list of this day (default: the last)")
    page = "a page (.html); with --by maker, or where BOOK is a folder of several, a folder"
    ready("--out", type=Path, help=page)
    ready("--by", choices=["maker"], help="a line a member; with --out, a page each")

    rounds = command(commands, "round", _round, "what to look at and weigh this week")
    rounds("--on", metavar="DATE", help="the day of the round (default: today)")
    rounds("--out", type=Path, help="a sheet to fill in and take back (.xlsx), or paper (.pdf)")
    rounds("--page", type=Path, help="a page to type into at the scales (.html)")
    rounds("--most", type=int, help="at most so many bowls, those to weigh first")

    kept = "keep the season's fits here, and read them while the book is the same"
    for one in (ready, rounds):
        one("--fits", type=Path, metavar="FILE", help=kept)
    for one in (season, ready, rounds):
        one("--units", choices=list(SHOWN_UNITS), help="default: the book's own")

    add = command(commands, "add", _add, "a filled round, or weighings or looks, into the book")
    rows = "of a CSV file of rows; left out for a filled round"
    add("table", nargs="?", choices=["weighings", "looks"], help=rows)
    add("file", type=Path, help="round.xlsx, the page's export, or rows as CSV")
    add("--sure", action="store_true", help="take entries that look like slips too")
    odd = "of a round: what to do with every odd weight instead of asking"
    add("--odd", choices=["ask", "mend", "keep", "leave"], default="ask", help=odd)
    add("--yes", action="store_true", help="of a round: do not ask before adding")


def _season(options: argparse.Namespace) -> None:
    from woodlab.season import SeasonOptions, run_season

    names = ("as_of", "locale", "paper", "club", "units")
    wanted = {name: getattr(options, name) for name in names}
    learn_from = tuple(options.learn_from)
    out = run_season(options.book, options.out, SeasonOptions(**wanted, learn_from=learn_from))
    print(f"Written to {out}: open index.html there.")


def _ready(options: argparse.Namespace) -> None:
    from woodlab.pages.ready import write_by_maker, write_ready

    books = _books_of(options.book)
    if len(books) > 1 and options.fits:
        raise WoodlabError("--fits is of one book. Name one, or leave --fits out.")
    for path in books:
        ready = _ready_list(path, options)
        out = options.out
        if out and len(books) > 1:
            out = out / (path.stem if options.by else f"{path.stem}.html")
            out.parent.mkdir(parents=True, exist_ok=True)
        written = None if not out or options.by else write_ready(ready, out)
        if options.by:
            members = write_by_maker(ready, out) if out else [
                (maker, ready.of(maker).line(), "") for maker in ready.makers
            ]  # fmt: skip
            print(ready.text().split("\n")[0])
            for maker, line, _ in members:
                print(f"  {maker}: {line}")
        elif len(books) > 1:
            print(f"{ready.text().split(chr(10))[0]}\n  {ready.line()}")
        else:
            print(ready.text())
        if out:
            print(f"Written: {written or out / 'index.html'}")


def _books_of(path: Path) -> list[Path]:
    """The book itself, or the books in a folder that is none."""
    if not path.is_dir() or any(f.name.casefold() == "pieces.csv" for f in path.iterdir()):
        return [path]
    books = [f.parent for f in path.glob("*/pieces.csv")]
    books += [f for f in path.iterdir() if f.suffix.casefold() in (".xlsx", ".ods")]
    return sorted(f for f in books if f.name[0] not in ".~") or [path]


def _ready_list(path: Path, options: argparse.Namespace) -> ReadyList:
    from woodlab.book.record_book import open_book
    from woodlab.drying.fit.saving import season_fits
    from woodlab.week.ready import ready_list

    book = open_book(path)
    if not len(book.pieces):
        raise WoodlabError(f"{path.name} holds no pieces yet. Add pieces and weighings first.")
    kept, day = options.fits, options.as_of
    fits = season_fits(book, kept, as_of=day, renew=True) if kept else book
    return ready_list(fits, options.as_of, units=options.units or book.units)


def _round(options: argparse.Namespace) -> None:
    import datetime

    from woodlab.book.record_book import open_book
    from woodlab.drying.fit.saving import season_fits
    from woodlab.round.sheets import write_round
    from woodlab.show import answer_in
    from woodlab.week.shop_round import shop_round

    on = options.on or datetime.date.today().isoformat()
    book = open_book(options.book)
    fits = season_fits(book, options.fits, as_of=on, renew=True) if options.fits else book
    tour = shop_round(fits, on=on)
    units = SHOWN_UNITS[options.units] if options.units else book.units
    answer_in(units)
    print(tour)
    answer_in(METRIC)
    for path in (options.out, options.page):
        if path:
            write_round(tour, path, most=options.most, unit=units)
            print(f"Written: {path}")


def _add(options: argparse.Namespace) -> None:
    if options.table is None:
        _take_back(options)
        return
    from woodlab.book.reading import read_csv_table
    from woodlab.book.writing.adding import add_looks, add_weighings

    if not options.file.is_file():
        raise WoodlabError(f"There is no file at {options.file}. Give a CSV file of new rows.")
    new = read_csv_table(options.table, options.file)
    if new.faults:
        raise RecordError(new.faults)
    append = add_weighings if options.table == "weighings" else add_looks
    append(options.book, new.frame, sure=options.sure)
    print(f"{len(new.frame)} rows added to {options.table}.")


def _take_back(options: argparse.Namespace) -> None:
    """A filled round: its questions, what will be added, and then all of it or nothing."""
    from woodlab.round.core import Question
    from woodlab.round.taking import AddedRound, take_round

    said = {"mend": "[m]end it", "keep": "[k]eep it", "leave": "[l]eave it out"}

    def answers(asked: list[Question]) -> Iterator[str]:
        for question in asked:
            print(question.said)
            ways = [way for way in said if way in question.can]
            answer = options.odd
            if answer == "ask":
                shown = ", ".join([*(said[way] for way in ways), "[q]uit"])
                letter = ask(f"  {shown}?", "".join(way[0] for way in ways) + "q")
                answer = next((way for way in ways if way[0] == letter), "quit")
            if answer == "quit":
                raise WoodlabError(NOT_TAKEN)
            yield answer

    def agreed(new: AddedRound) -> None:
        print(new)
        if not options.yes and ask("Add all of it? [y]es, [n]o", "ynq") != "y":
            raise WoodlabError(NOT_TAKEN)

    take_round(options.book, options.file, answers, agreed, sure=options.sure)
    print("Added.")
