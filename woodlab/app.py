"""The commands. Each is thin: it calls one public function and says what came of it.

Exit codes: 0 the work was done; 2 a fault in the records or in the request, said on stderr;
1 the work failed on the way.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from woodlab.errors import RecordError, WoodlabError, WorkError

if TYPE_CHECKING:
    import pandas as pd

DONE, FAILED, FAULT = 0, 1, 2
MOST_SHOWN = 100
# What fits beside each other in a window; the frame of `wl.shop_round` has all of it.
ROUND_SHOWN = ["piece", "place", "species", "do", "crack", "last_g", "expect", "why"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a console shows what it can, and ? for the rest
            stream.reconfigure(errors="replace")
    options = _parser().parse_args(arguments)
    try:
        done = int(options.run(options) or DONE)
        sys.stdout.flush()
        return done
    except RecordError as error:
        print(error, file=sys.stderr)
        return FAULT
    except WorkError as error:
        print(f"woodlab: {error}", file=sys.stderr)
        return FAILED
    except WoodlabError as error:
        print(f"woodlab: {error}", file=sys.stderr)
        return FAULT
    except KeyboardInterrupt:
        print("woodlab: stopped. What stood there before is untouched.", file=sys.stderr)
        return FAILED
    except BrokenPipeError:  # the reader of our output, `head` perhaps, has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except (MemoryError, OSError) as error:
        print(f"woodlab: {error or 'not enough memory'}. Nothing was changed.", file=sys.stderr)
        return FAILED
    except Exception as error:
        if os.environ.get("WOODLAB_TRACE"):
            raise
        print(
            f"woodlab: something went wrong that is no fault of yours ({type(error).__name__}: "
            f"{str(error)[:300]}). Nothing was changed. To report it, set WOODLAB_TRACE=1, run "
            "the command again, and send what it prints.",
            file=sys.stderr,
        )
        return FAILED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="woodlab", description="Drying research for makers who rough-turn green wood."
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    season = commands.add_parser("season", help="a season's records to notebooks and an article")
    season.add_argument("book", type=Path, help="the record book: a folder or a workbook")
    season.add_argument("--out", type=Path, required=True, help="the folder to write")
    season.add_argument("--as-of", metavar="DATE", help="look at the book as of this day")
    season.add_argument("--club", metavar="NAME", help="whose season it is, for the front page")
    season.add_argument("--locale", default="en", help="form of numbers and dates: en, de, fr")
    season.add_argument("--paper", default="a4", choices=["a4", "us-letter"])
    season.set_defaults(run=_season)

    check = commands.add_parser("check", help="faults and doubts of a record book")
    check.add_argument("book", type=Path)
    check.set_defaults(run=_check)

    blank = commands.add_parser("blank", help="an empty record book to fill in")
    blank.add_argument("file", type=Path, help="a new workbook (.xlsx) or folder")
    blank.set_defaults(run=_blank)

    sheet = commands.add_parser("from-sheet", help="any sheet of your own, to a record book")
    sheet.add_argument("sheet", type=Path, help="your sheet (.xlsx, .ods, .xls, .csv, .txt)")
    sheet.add_argument(
        "--out", type=Path, required=True,
        help="the book (.xlsx, or a folder); one made of this sheet before takes what is new",
    )  # fmt: skip
    sheet.add_argument("--mass-unit", choices=["g", "kg", "lb", "oz"], help="of bare weights")
    sheet.add_argument("--length-unit", choices=["mm", "cm", "in"], help="of bare lengths")
    sheet.add_argument("--layout", choices=["pieces-down", "dates-down", "log"])
    sheet.add_argument(
        "--dates", choices=["day-first", "month-first"], help="9/3/26: 9 March or 3 September"
    )
    sheet.add_argument("--decimal", choices=[".", ","], help="1,480: 1480 g or 1.48 g")
    sheet.add_argument("--year", type=int, help="of the first date, where dates have none")
    sheet.add_argument("--tab", help="which sheet of a workbook")
    sheet.set_defaults(run=_from_sheet)

    rounds = commands.add_parser("round", help="what to look at and weigh this week")
    rounds.add_argument("book", type=Path)
    rounds.add_argument("--on", metavar="DATE", help="the day of the round (default: today)")
    rounds.add_argument(
        "--out", type=Path, help="a sheet to fill in and take back (.xlsx), or paper (.pdf)"
    )
    rounds.add_argument("--page", type=Path, help="a page to type into at the scales (.html)")
    rounds.add_argument("--most", type=int, help="at most so many bowls, those to weigh first")
    rounds.add_argument(
        "--unit", choices=["g", "kg", "lboz"], help="of the weights to type (default: the book's)"
    )
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

    demo = commands.add_parser("demo", help="write the invented season, to try things on")
    demo.add_argument("folder", type=Path)
    demo.add_argument("--seed", type=int, default=None)
    demo.set_defaults(run=_demo)
    return parser


def _season(options: argparse.Namespace) -> None:
    from woodlab.season import SeasonOptions, run_season

    wanted = SeasonOptions(
        as_of=options.as_of, locale=options.locale, paper=options.paper, club=options.club
    )
    out = run_season(options.book, options.out, wanted)
    print(f"Written to {out}: open index.html there.")


def _check(options: argparse.Namespace) -> None:
    from woodlab.book.record_book import open_book

    book = open_book(options.book)
    print(book.counts.to_string(index=False))
    doubts = book.doubts
    count = f"{len(doubts)} {'entry' if len(doubts) == 1 else 'entries'} in doubt"
    print(f"\nNo faults. {count} (kept in the book){':' if len(doubts) else '.'}")
    for doubt in doubts.head(MOST_SHOWN).itertuples():
        value = str(doubt.value)[:80]
        print(f"  {doubt.table}, row {doubt.row}, {doubt.column} {value}: {doubt.doubt[:200]}")
    if len(doubts) > MOST_SHOWN:
        print(f"  ... and {len(doubts) - MOST_SHOWN} more; notebook 1 shows all of them.")


def _blank(options: argparse.Namespace) -> None:
    from woodlab.book.blank import blank_book

    blank_book(options.file)
    print(f"Written: {options.file}")


def _from_sheet(options: argparse.Namespace) -> None:
    from woodlab.book.sheet.reading import read_sheet

    made = read_sheet(
        options.sheet,
        mass_unit=options.mass_unit,
        length_unit=options.length_unit,
        layout=options.layout,
        dates=options.dates,
        decimal=options.decimal,
        year=options.year,
        tab=options.tab,
    )
    print(made)
    grown = options.out.exists()
    changes = made.save(options.out)
    if grown:
        print(f"\nMerged into {options.out}: {_counted(changes['what'])}.")
        print(changes.head(MOST_SHOWN).to_string(index=False) if len(changes) else "Nothing new.")
    else:
        print(f"\nWritten: {options.out}; in it, sheet_ledger says what became of every cell.")
    print(f"Next: woodlab check {options.out}")


def _counted(kinds: pd.Series) -> str:
    return ", ".join(f"{n} {kind}" for kind, n in kinds.value_counts().items()) or "nothing new"


def _round(options: argparse.Namespace) -> None:
    import datetime

    from woodlab.book.record_book import open_book
    from woodlab.round.sheets import unit_of, write_round
    from woodlab.studies.next_season.shop_round import shop_round

    tour = shop_round(open_book(options.book), on=options.on or datetime.date.today().isoformat())
    print(tour.summary())
    if len(tour):
        print(tour.due[ROUND_SHOWN].dropna(axis=1, how="all").to_string(
            index=False, na_rep="-", float_format="{:.0f}".format
        ))  # fmt: skip
    unit = options.unit or unit_of(options.book)
    for path in (options.out, options.page):
        if path:
            write_round(tour, path, most=options.most, unit=unit)
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
    rows = new.frame.astype(
        {name: object for name in new.frame if new.frame[name].dtype == "category"}
    )
    append = add_weighings if options.table == "weighings" else add_looks
    append(options.book, rows, sure=options.sure)
    print(f"{len(rows)} rows added to {options.table}.")
    return None


def _take_back(options: argparse.Namespace) -> int | None:
    """A filled round: its questions, what will be added, and then all of it or nothing."""
    from woodlab.round.filled import read_filled
    from woodlab.round.taking import answered, look_over, rows_of, write_round_rows

    book, filled, asked = look_over(options.book, read_filled(options.file))
    for question in asked:
        print(question.said)
        can = "mklq" if question.kind in ("swapped", "slip") else "klq"
        answer = options.odd[0] if options.odd != "ask" else _asked(
            "  [m]end it, [k]eep it, [l]eave it out, [q]uit?"[0 if "m" in can else 11 :], can
        )  # fmt: skip
        if answer == "q":
            raise WoodlabError("Not taken; nothing was changed.")
        filled = answered(filled, question, {"m": "mend", "k": "keep", "l": "leave"}[answer])
    new = rows_of(book, filled)
    print(new)
    if not options.yes and _asked("Add all of it? [y]es, [n]o", "ynq") != "y":
        raise WoodlabError("Not taken; nothing was changed.")
    write_round_rows(options.book, filled, new, sure=options.sure)
    print("Added.")
    return None


def _asked(text: str, choices: str) -> str:
    """One of the choices, typed; q where there is nobody to type."""
    while True:
        print(f"{text} ", end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            return "q"
        if line.strip() and line.strip().casefold()[0] in choices:
            return line.strip().casefold()[0]


def _demo(options: argparse.Namespace) -> None:
    from woodlab.demo import DEMO_SEED, demo_book

    if options.folder.exists() and (not options.folder.is_dir() or any(options.folder.iterdir())):
        raise WoodlabError(
            f"{options.folder} exists and is not empty. Name a new folder, so that no book of "
            "yours is written over."
        )
    seed = DEMO_SEED if options.seed is None else options.seed
    demo_book(seed=seed).save(options.folder)
    print(f"An invented season is written to {options.folder}.")


if __name__ == "__main__":
    sys.exit(main())
