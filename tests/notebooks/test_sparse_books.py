"""Notebooks on books that hold little: what cannot be told is said, and nothing stands in for it.

The cells are run in this process, top to bottom, as a kernel would; that takes a second where a
kernel takes ten. Each book is fitted once, as the main job does.
"""

import ast
import json
import re
from pathlib import Path

import pandas as pd
import pytest

import woodlab as wl

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"
OF_A_SEASON = [path.stem for path in sorted(NOTEBOOKS.glob("[1-8]_*.ipynb"))]


def saved(folder, seals=("none",) * 3, days=(0,), **tables):
    pieces = pd.DataFrame(
        {"piece": [f"A{i}" for i in range(len(seals))], "species": "white ash",
         "seal": list(seals), "wall_mm": 25.0, "turned_on": "2026-03-01"}
    )  # fmt: skip
    rows = [
        (name, pd.Timestamp("2026-03-01") + pd.Timedelta(days=day), 900 + 600 * 0.5 ** (day / 30))
        for name in pieces["piece"]
        for day in days
    ]
    weighings = pd.DataFrame(rows, columns=["piece", "on", "mass_g"])
    wl.RecordBook.from_frames(pieces=pieces, weighings=weighings, **tables).save(folder)
    return folder


def looks(cracked):
    rows = [
        (f"A{i}", pd.Timestamp("2026-03-01") + pd.Timedelta(days=day), 12.0 * (i in cracked))
        for i in range(6)
        for day in (7, 14, 21)
    ]
    return pd.DataFrame(rows, columns=["piece", "on", "crack_mm"])


# Books that hold little, in very different ways.
BOOKS = {
    "turned, never weighed": {"days": ()},
    "one weighing": {"days": (0,)},
    "bare, three weighings": {"days": (0, 20, 40)},
    "two seals, one crack": {
        "seals": ("none",) * 4 + ("paint",) * 2, "days": (0, 20, 40, 60), "looks": looks({1}),
    },
    "looks without a crack": {
        "seals": ("none", "wax") * 3, "days": (0, 20, 40), "looks": looks(set()),
    },
}  # fmt: skip


@pytest.fixture(scope="module")
def fitted(tmp_path_factory):
    """Each book of the list with its fits, made when it is first asked for."""
    made = {}

    def of(name):
        if name not in made:
            folder = tmp_path_factory.mktemp("books")
            path = saved(folder / "book", **BOOKS[name])
            wl.fit_drying(wl.open_book(path), law="slab").save(folder / "season.fits")
            made[name] = path, folder / "season.fits"
        return made[name]

    return of


def run(name, book_path, capsys, *, proofs=True, **given):
    """Everything that the notebook says, as text: printed, and shown at the end of a cell."""
    cells = json.loads((NOTEBOOKS / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]
    names = {"display": print, "__name__": "__main__"}
    for cell in cells:
        proof = "keep_output" in cell["metadata"].get("tags", [])
        if cell["cell_type"] != "code" or proof > proofs:
            continue
        tree = ast.parse("".join(cell["source"]))
        last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, name, "exec"), names)
        value = last and eval(compile(ast.Expression(last.value), name, "eval"), names)
        if "parameters" in cell["metadata"].get("tags", []):
            given = {key: str(value) for key, value in given.items() if key in names}
            names |= {"book_path": str(book_path)} | given
        elif hasattr(value, "card"):
            value._repr_html_()
            print(value)
        elif value is not None:
            print(str(value.to_dict()["description"]) if hasattr(value, "to_dict") else value)
    return capsys.readouterr().out


@pytest.mark.parametrize("book", BOOKS)
@pytest.mark.parametrize("name", OF_A_SEASON)
def test_a_notebook_runs_through_on_a_book_that_holds_little(name, book, fitted, tmp_path, capsys):
    path, fits = fitted(book)
    said = run(name, path, capsys, fits_path=fits, article_path=tmp_path / "article")
    assert not re.search(r"\b(nan|NaN|NaT|inf)\b|\bNone\b(?! of)", said)


def test_what_is_missing_is_told_with_what_it_would_tell(tmp_path, capsys):
    said = run("1_open_and_check", saved(tmp_path / "book"), capsys)
    assert re.search(r"looks +0 .*would tell when and what cracks", said)
    assert "The book has no air log" in said


def test_it_is_said_how_many_days_of_drying_have_a_reading_of_the_air(tmp_path, capsys):
    """Readings on two days of the ten, and many after the last weighing."""
    days = [*pd.date_range("2026-03-09", "2026-03-10"), *pd.date_range("2026-05-01", "2026-06-30")]
    air = pd.DataFrame({"on": days, "temp_c": 10.0, "rh_pct": 70.0})
    said = run("1_open_and_check", saved(tmp_path / "book", days=(0, 9), air=air), capsys)
    assert "The air was read on 2 of the 10 days" in said


def test_cracked_bowls_are_named_first(fitted, capsys):
    path, fits = fitted("two seals, one crack")
    said = run("5_cracks", path, capsys, fits_path=fits)
    assert said.startswith("Cracked bowls: 1.")
    assert re.search(r"^ *A1 +12\b", said, re.M)
    ready = run("3_ready", path, capsys, fits_path=fits)
    assert re.search(r"^ *A1\b.*CRACKED; dry: .*open, 12 mm", ready, re.M)


def test_fits_of_another_book_are_refused(fitted):
    path, _ = fitted("one weighing")
    _, other = fitted("bare, three weighings")
    with pytest.raises(wl.WoodlabError, match="holds fits of another book"):
        wl.season_fits(wl.open_book(path), other)


# What stays metric in a book of pounds and inches: the step of an estimate, with its inches beside
# it, and the proofs that print a frame as it is, whose columns name their own unit.
STEP = "per 10 mm (about 3/8 in)"


@pytest.fixture(scope="module")
def in_pounds(tmp_path_factory):
    """Three logs of the invented season as a maker with a rule in inches keeps them."""
    folder = tmp_path_factory.mktemp("inches")
    whole = wl.demo_book().until("2025-06-10")
    whole = whole.only(pieces=[mark for mark in whole.pieces["piece"] if mark[0] in "CLX"])
    (folder / "book").mkdir()
    for name, frame in whole.tables().items():
        for column in frame:
            stem, _, unit = column.rpartition("_")
            if unit in ("mm", "g"):
                size, other = (25.4, "in") if unit == "mm" else (453.59237, "lb")
                frame = frame.assign(**{f"{stem}_{other}": frame[column] / size})
                frame = frame.drop(columns=column)
        frame.to_csv(folder / "book" / f"{name}.csv", index=False)
    book = wl.open_book(folder / "book")
    wl.fit_drying(book, law="slab", draws=60).save(folder / "season.fits")
    yield folder / "book", folder / "season.fits"
    wl.answer_in("g-mm")


@pytest.mark.parametrize("name", OF_A_SEASON)
def test_a_book_in_pounds_and_inches_is_answered_in_them(name, in_pounds, tmp_path, capsys):
    path, fits = in_pounds
    where = {"fits_path": fits, "article_path": tmp_path / "article"}
    said = run(name, path, capsys, proofs=False, **where)
    left = [line for line in said.replace(STEP, "").splitlines()
            if re.search(r"\d\s?(mm|g)\b|\[(mm|g)\]", line)]  # fmt: skip
    assert left == []
    if name[0] in "1356":
        assert re.search(r"\d (in|oz)\b", said)
