"""`woodlab season`: the main job."""

from __future__ import annotations

import argparse
from pathlib import Path

from woodlab.words import SHOWN_UNITS


def put(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    season = commands.add_parser("season", help="a season's records to notebooks and an article")
    season.add_argument("book", type=Path, help="the record book: a folder or a workbook")
    season.add_argument("--out", type=Path, required=True, help="the folder to write")
    season.add_argument("--as-of", metavar="DATE", help="look at the book as of this day")
    season.add_argument(
        "--learn-from", type=Path, action="append", default=[], metavar="FITS",
        help="an earlier season's season.fits, yours or another club's; may be given again",
    )  # fmt: skip
    season.add_argument("--club", metavar="NAME", help="whose season it is, for the front page")
    season.add_argument(
        "--locale", default="en_GB", help="form of numbers and dates: en_GB, de, fr"
    )
    season.add_argument("--paper", default="a4", choices=["a4", "us-letter"])
    season.add_argument("--units", choices=list(SHOWN_UNITS), help="default: the book's own")
    season.set_defaults(run=_season)


def _season(options: argparse.Namespace) -> None:
    from woodlab.season import SeasonOptions, run_season

    wanted = SeasonOptions(
        as_of=options.as_of, locale=options.locale, paper=options.paper, club=options.club,
        units=options.units,
        learn_from=tuple(options.learn_from),
    )  # fmt: skip
    out = run_season(options.book, options.out, wanted)
    print(f"Written to {out}: open index.html there.")
