"""The maker's week: `woodlab ready`, `round` and `add`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from woodlab.commands.asking import ask
from woodlab.errors import RecordError, WoodlabError
from woodlab.words import SHOWN_UNITS

if TYPE_CHECKING:
    from woodlab.week.ready import ReadyList

KEPT = "keep the season's fits here, and read them while the book is the same"
ROUND_SHOWN = ["piece", "place", "species", "do", "crack", "last weight", "expect", "why"]


def put(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    ready = commands.add_parser("ready", help="which bowls to turn now, and what to do this week")
    ready.add_argument("book", type=Path, help="the record book, or a folder of several")
    ready.add_argument("--as-of", metavar="DATE", help="the list of this day (default: the last)")
    ready.add_argument(
        "--out", type=Path, help="a page (.html); with --by maker, or of several books, a folder"
    )
    ready.add_argument("--by", choices=["maker"], help="a line a member; with --out, a page each")
    ready.add_argument("--units", choices=list(SHOWN_UNITS), help="default: the book's own")
    ready.add_argument("--fits", type=Path, metavar="FILE", help=KEPT)
    ready.set_defaults(run=_ready)

    rounds = commands.add_parser("round", help="what to look at and weigh this week")
    rounds.add_argument("book", type=Path)
    rounds.add_argument("--on", metavar="DATE", help="the day of the round (default: today)")
    rounds.add_argument(
        "--out", type=Path, help="a sheet to fill in and take back (.xlsx), or paper (.pdf)"
    )
    rounds.add_argument("--page", type=Path, help="a page to type into at the scales (.html)")
    rounds.add_argument("--most", type=int, help="at most so many bowls, those to weigh first")
    rounds.add_argument("--fits", type=Path, metavar="FILE", help=KEPT)
    rounds.add_argument("--units", choices=list(SHOWN_UNITS), help="default: the book's own")
    rounds.set_defaults(run=_round)

    add = commands.add_parser("add", help="a filled round, or weighings or looks, into the book")
    add.add_argument("book", type=Path)
    add.add_argument(
        "table", nargs="?", choices=["weighings", "looks"],
        help="of a CSV file of rows; left out for a filled round",
    )  # fmt: skip
    add.add_argument("file", type=Path, help="round.xlsx, the page's export, or rows as CSV")
    add.add_argument("--sure", action="store_true", help="take entries that look like slips too")
    add.add_argument(
        "--odd", choices=["ask", "mend", "keep", "leave"], default="ask",
        help="of a round: what to do with every odd weight instead of asking",
    )  # fmt: skip
    add.add_argument("--yes", action="store_true", help="of a round: do not ask before adding")
    add.set_defaults(run=_add)


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
    found = sorted(
        f for f in path.iterdir()
        if (f.is_dir() and (f / "pieces.csv").is_file())
        or (f.suffix.casefold() in (".xlsx", ".ods") and f.name[0] not in ".~")
    )  # fmt: skip
    return found or [path]  # the reader says what is missing


def _ready_list(path: Path, options: argparse.Namespace) -> ReadyList:
    from woodlab.book.record_book import open_book
    from woodlab.drying.fit.saving import season_fits
    from woodlab.week.ready import ready_list

    book = open_book(path)
    units = SHOWN_UNITS[options.units] if options.units else book.units
    if not len(book.pieces):
        raise WoodlabError(f"{path.name} holds no pieces yet. Add pieces and weighings first.")
    if options.fits is None:
        return ready_list(book, options.as_of, units=units)
    fits = season_fits(book, options.fits, as_of=options.as_of, renew=True)
    return ready_list(fits, options.as_of, units=units)


def _round(options: argparse.Namespace) -> None:
    import datetime

    from woodlab.book.record_book import open_book
    from woodlab.drying.fit.saving import season_fits
    from woodlab.round.sheets import write_round
    from woodlab.week.shop_round import shop_round

    on = options.on or datetime.date.today().isoformat()
    book = open_book(options.book)
    fits = season_fits(book, options.fits, as_of=on, renew=True) if options.fits else book
    tour = shop_round(fits, on=on)
    units = SHOWN_UNITS[options.units] if options.units else book.units
    print(tour.summary())
    if len(tour):
        shown = tour.in_units(units)[ROUND_SHOWN].replace("", None).dropna(axis=1, how="all")
        print(shown.to_string(index=False, na_rep="-"))
    for path in (options.out, options.page):
        if path:
            write_round(tour, path, most=options.most, unit=units)
            print(f"Written: {path}")


def _add(options: argparse.Namespace) -> int | None:
    if options.table is None:
        return _take_back(options)
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
    return None


def _take_back(options: argparse.Namespace) -> int | None:
    """A filled round: its questions, what will be added, and then all of it or nothing."""
    from woodlab.round.filled import read_filled
    from woodlab.round.taking import answered, look_over, rows_of, write_round_rows

    book, filled, asked = look_over(options.book, read_filled(options.file))
    for question in asked:
        print(question.said)
        mended = question.kind in ("swapped", "slip") or (
            question.kind == "unknown" and question.other
        )
        ways = {"m": "[m]end it" if mended else "",
                "k": "[k]eep it" if question.kind != "unknown" else "",
                "l": "[l]eave it out", "q": "[q]uit"}  # fmt: skip
        can = {key: way for key, way in ways.items() if way}
        answer = options.odd[0] if options.odd != "ask" else ask(
            f"  {', '.join(can.values())}?", "".join(can)
        )  # fmt: skip
        if answer == "q":
            raise WoodlabError("Not taken; nothing was changed.")
        filled = answered(filled, question, {"m": "mend", "k": "keep", "l": "leave"}[answer])
    new = rows_of(book, filled)
    print(new)
    if not options.yes and ask("Add all of it? [y]es, [n]o", "ynq") != "y":
        raise WoodlabError("Not taken; nothing was changed.")
    write_round_rows(options.book, filled, new, sure=options.sure)
    print("Added.")
    return None
