"""Records in and out: `woodlab check`, `blank`, `from-sheet`, `share` and `demo`."""

from __future__ import annotations

import argparse
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING

from woodlab.book.sheet.questions import OPTIONS
from woodlab.commands import Commands, ask, command
from woodlab.errors import WoodlabError
from woodlab.week.sharing import ANSWERS, LICENCES

if TYPE_CHECKING:
    import pandas as pd

    from woodlab.words import Units

MOST_SHOWN = 100


def put(commands: Commands) -> None:
    command(commands, "check", _check, "faults and doubts of a record book")

    blank = command(commands, "blank", _blank, "an empty record book to fill in")
    blank("file", type=Path, help="a new workbook (.xlsx) or folder")

    sheet = command(commands, "from-sheet", _from_sheet, "any sheet of your own, to a record book")
    sheet("sheet", type=Path, help="your sheet (.xlsx, .ods, .xls, .csv, .txt)")
    book = "the book (.xlsx, or a folder); one made of this sheet before takes what is new"
    sheet("--out", type=Path, required=True, help=book)
    for name, (choices, about) in OPTIONS.items():
        sheet(f"--{name.replace('_', '-')}", choices=choices, help=about)
    sheet("--year", type=int, help="of the first date, where dates have none")
    sheet("--tab", help="which sheet of a workbook")
    woods = "what a name of a wood means; give it again for another name"
    sheet("--species", action="append", type=_wood, metavar="NAME=WOOD", help=woods)

    share = command(commands, "share", _share, "a book that may be given away, as open data")
    share("--out", type=Path, required=True, help="the folder to write")
    share("--licence", choices=list(LICENCES), help="asked for unless given")
    for kind in ("makers", "places", "scales", "notes", "own-columns"):
        can = ANSWERS if kind in ("makers", "places", "scales") else ANSWERS[1:]
        share(f"--{kind}", choices=can, help="asked about unless given")

    demo = command(commands, "demo", _demo, "write the invented season, to try things on")
    demo("folder", type=Path)
    demo("--seed", type=int)
    demo("--seasons", action="store_true", help="last year's, finished, and this year's, drying")


def _check(options: argparse.Namespace) -> None:
    from woodlab.book.record_book import open_book

    book = open_book(options.book)
    print(book.counts.to_string(index=False))
    doubts, units = book.doubts, book.units
    count = f"{len(doubts)} {'entry' if len(doubts) == 1 else 'entries'} in doubt"
    print(f"\nNo faults. {count} (kept in the book){':' if len(doubts) else '.'}")
    for doubt in doubts.head(MOST_SHOWN).itertuples():
        value = shorten(units.told_of(doubt.column, str(doubt.value)), 80, placeholder=" ...")
        said = shorten(units.told(doubt.doubt), 200, placeholder=" ...")
        print(f"  {doubt.table}, row {doubt.row}, {doubt.column} {value}: {said}")
    if len(doubts) > MOST_SHOWN:
        print(f"  ... and {len(doubts) - MOST_SHOWN} more; notebook 1 shows all of them.")


def _blank(options: argparse.Namespace) -> None:
    from woodlab.book.writing.blank import blank_book

    blank_book(options.file)
    print(f"Written: {options.file}")


def _from_sheet(options: argparse.Namespace) -> None:
    from woodlab.book.record_book import open_book
    from woodlab.book.sheet.reading import read_sheet

    names = (*OPTIONS, "year", "tab")
    answers = {name: getattr(options, name) for name in names}
    made = read_sheet(options.sheet, **answers, species=dict(options.species or ()) or None)
    print(made)
    grown = options.out.exists()
    changes = made.save(options.out)
    if grown:
        print(f"\nMerged into {options.out}: {_counted(changes['what'])}.")
        changes = _told(changes, open_book(options.out).units)
        print(changes.head(MOST_SHOWN).to_string(index=False) if len(changes) else "Nothing new.")
    else:
        print(f"\nWritten: {options.out}; in it, sheet_ledger says what became of every cell.")
    print(f"Next: woodlab check {options.out}")


def _wood(text: str) -> tuple[str, str]:
    """`Sycamore=sycamore maple`, as typed behind --species."""
    name, _, wood = (part.strip() for part in text.partition("="))
    if not name or not wood:
        raise argparse.ArgumentTypeError(f'{text!r}: type "NAME=WOOD", a name and what it means')
    return name, wood


def _told(changes: pd.DataFrame, units: Units) -> pd.DataFrame:
    """What was before and is now, in the units of the book."""
    return changes.assign(**{
        name: [units.told_of(*pair) for pair in zip(changes["column"], changes[name], strict=True)]
        for name in ("before", "now")
    })  # fmt: skip


def _counted(kinds: pd.Series) -> str:
    return ", ".join(f"{n} {kind}" for kind, n in kinds.value_counts().items()) or "nothing new"


def _share(options: argparse.Namespace) -> None:
    from woodlab.book.record_book import open_book
    from woodlab.week.sharing import private_parts, share_book

    book = open_book(options.book)
    answers = {}
    for part in private_parts(book):
        given = options.own_columns if part.kind[0] == "c" else getattr(options, part.kind)
        if given is None:
            print(f"{part.kind}: {part.n} ({'; '.join(some[:60] for some in part.some)}, ...)")
            given = _chosen("  ", part.can)
        answers[part.kind] = given
    licence = options.licence
    if licence is None:
        print("What may others do with it?")
        for name, (said, where) in LICENCES.items():
            print(f"  {name}: {said}, {where}")
        licence = _chosen("  ", tuple(LICENCES))
    out = share_book(book, options.out, licence=licence, answers=answers)
    print(f"Written to {out}. Marks of bowls and logs, days, woods and seals are as they were: "
          "read them once more before you give them away.")  # fmt: skip


def _chosen(text: str, can: tuple[str, ...]) -> str:
    """One of some answers, typed by its number."""
    said = ", ".join(f"[{k}] {name}" for k, name in enumerate(can, 1))
    answer = ask(f"{text}{said}?", "".join(str(k) for k in range(1, len(can) + 1)))
    if answer == "q":
        raise WoodlabError("Nobody answered; nothing was written. Every answer is an option, too.")
    return can[int(answer) - 1]


def _demo(options: argparse.Namespace) -> None:
    from woodlab.demo import DEMO_SEED, demo_book

    folder = options.folder
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise WoodlabError(
            f"{folder} exists and is not empty. Name a new folder, so that no book of "
            "yours is written over."
        )
    seed = DEMO_SEED if options.seed is None else options.seed
    if not options.seasons:
        demo_book(seed=seed).save(folder)
        print(f"An invented season is written to {folder}.")
        return
    folder.mkdir(parents=True, exist_ok=True)
    for name, season in (("last_season", "finished"), ("this_season", "drying")):
        demo_book(seed=seed, season=season).save(folder / name)
    print(f"Two invented seasons are written to {folder}: last_season, this_season.")
