"""Small invented books taken the whole way: files, opened, fitted, written up; the text is kept."""

import pandas as pd
import pytest
from test_prose import INVENTED, KEPT, without_cautions

import woodlab as wl
from woodlab.drying.simulate import Schedule, simulate_season
from woodlab.drying.weather import invented_air

BARE, PAINT, GRAIN = "none", "paint all over", "wax on end grain"


def season(woods, seals, *, walls=(22.0, 26.0), days=230, seed=1, lot="random"):
    """A bowl a seal from every log (`woods` has a wood a log), drawn from the kit's own laws."""
    rows = [
        {"piece": f"{chr(65 + k)}{j + 1}", "species": wood, "log": chr(65 + k), "seal": seal,
         "wall_mm": walls[(k + j) % len(walls)], "rim_mm": 250.0, "allotted": lot,
         "turned_on": pd.Timestamp("2026-01-12") + pd.Timedelta(days=5 * k),
         "place": "barn (invented)"}
        for k, wood in enumerate(woods) for j, seal in enumerate(seals)
    ]  # fmt: skip
    air = invented_air("2026-01-10", days, seed=seed)
    return simulate_season(pd.DataFrame(rows), air, seed=seed, schedule=Schedule()).book


def written(book, folder, drop=(), inches=False):
    """The book as a maker's folder of CSV files, some tables left out; pounds and inches."""
    folder.mkdir()
    for name, frame in book.tables().items():
        if name not in drop:
            if inches and name == "pieces":
                frame = frame.assign(wall_in=frame.pop("wall_mm") / 25.4)
            if inches and name == "weighings":
                frame = frame.assign(mass_lb=frame.pop("mass_g") / 453.59237)
            frame.to_csv(folder / f"{name}.csv", index=False)
    return wl.open_book(folder)


def whole(book):
    """The same season without its cracks."""
    looks = book.looks.assign(crack_mm=0.0, action="none")
    tables = {name: frame for name, frame in book.tables().items() if name != "looks"}
    return wl.RecordBook.from_frames(**tables, looks=looks)


def first(n, book):
    """The book when each bowl had been weighed so often."""
    kept = book.weighings.sort_values("on").groupby("piece").head(n)
    looks = book.looks[book.looks["on"] <= kept["on"].max()]
    return wl.RecordBook.from_frames(pieces=book.pieces, weighings=kept, looks=looks,
                                     air=book.air[book.air["on"] <= kept["on"].max()],
                                     offcuts=book.offcuts)  # fmt: skip


BOOKS = {
    "real_nothing_cracked": lambda folder: written(
        whole(season(["white ash", "black cherry"] * 3, [BARE, PAINT], seed=3)), folder),
    "real_one_seal": lambda folder: written(
        season(["red oak"] * 4, [GRAIN, GRAIN], walls=(25.0, 34.0), seed=5, lot=None), folder,
        drop=("offcuts",)),
    "real_three_weighings": lambda folder: written(
        first(3, season(["black walnut", "sugar maple"] * 3, [BARE, PAINT], seed=7)), folder),
    "real_no_air_in_inches": lambda folder: written(
        season(["sugar maple"] * 6, [BARE, PAINT], walls=(19.05, 31.75), seed=11), folder,
        drop=("air", "offcuts"), inches=True),
}  # fmt: skip


@pytest.mark.parametrize("name", BOOKS)
def test_a_small_book_goes_from_files_to_an_article(name, tmp_path, request):
    book = BOOKS[name](tmp_path / "book")
    assert len(book.pieces) <= 12
    out = wl.write_article(book, tmp_path / "article", ("md",))
    text, box = ((out / file).read_text(encoding="utf-8") for file in ("article.md", "box.md"))
    body = without_cautions(text) + "---\n\n" + box
    file = KEPT / f"{name}.md"
    if request.config.getoption("--keep-articles"):
        file.write_text(body, encoding="utf-8")
    assert body == file.read_text(encoding="utf-8")
    assert INVENTED in text
    assert (" mm" in body) != name.endswith("inches")
    numbers = wl.read_article(out).numbers
    assert numbers["call"].str.len().gt(0).all()
    assert set(numbers["key"].str.split(".").str[0]) >= {"season"}
