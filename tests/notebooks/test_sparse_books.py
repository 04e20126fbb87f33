"""Notebooks on books that hold little: what cannot be told is said, and nothing stands in for it.

The cells are run in this process, top to bottom, as a kernel would; that takes a second where a
kernel takes ten.
"""

import ast
import json
from pathlib import Path

import pandas as pd
import pytest

import woodlab as wl

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"


def run(name, book_path, capsys, as_of=None):
    """Everything that the notebook says, its shown values included."""
    cells = json.loads((NOTEBOOKS / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]
    names = {"display": print, "__name__": "__main__"}
    for cell in cells:
        if cell["cell_type"] != "code":
            continue
        tree = ast.parse("".join(cell["source"]))
        if "parameters" in cell["metadata"].get("tags", []):
            names |= {"book_path": str(book_path), "as_of": as_of}
            continue
        last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, name, "exec"), names)
        if last is not None:
            print(eval(compile(ast.Expression(last.value), name, "eval"), names))
    return capsys.readouterr().out


def saved(folder, seals=("none",) * 3, days=(0,), **tables):
    pieces = pd.DataFrame(
        {"piece": [f"A{i}" for i in range(len(seals))], "species": "white ash",
         "seal": list(seals), "wall_mm": 25.0, "turned_on": "2026-03-01"}
    )  # fmt: skip
    rows = [
        (name, pd.Timestamp("2026-03-01") + pd.Timedelta(days=day), 1500 - 5 * day)
        for name in pieces["piece"]
        for day in days
    ]
    weighings = pd.DataFrame(rows, columns=["piece", "on", "mass_g"])
    wl.RecordBook.from_frames(pieces=pieces, weighings=weighings, **tables).save(folder)
    return folder


@pytest.mark.parametrize("days", [(0,), (0, 20, 40, 60)])
def test_no_law_is_said_to_foretell_best_where_none_could_be_judged(tmp_path, capsys, days):
    said = run("2_drying_curves", saved(tmp_path / "book", days=days), capsys)
    assert "Which law foretells best cannot be told" in said
    assert "Foretells best in this book" not in said


def test_what_is_missing_is_told_with_what_it_would_tell(tmp_path, capsys):
    said = run("1_open_and_check", saved(tmp_path / "book"), capsys)
    assert "looks          0 rows   would tell when and what cracks" in said


def test_it_is_said_how_many_days_of_drying_have_a_reading_of_the_air(tmp_path, capsys):
    """Readings on two days of the ten, and many after the last weighing."""
    days = [*pd.date_range("2026-03-09", "2026-03-10"), *pd.date_range("2026-05-01", "2026-06-30")]
    air = pd.DataFrame({"on": days, "temp_c": 10.0, "rh_pct": 70.0})
    said = run("1_open_and_check", saved(tmp_path / "book", days=(0, 9), air=air), capsys)
    assert "the air was read on 2 of 10 days" in said


def test_one_seal_is_nothing_to_compare_and_said_once(tmp_path, capsys):
    said = run("4_sealing", saved(tmp_path / "book"), capsys)
    assert said.count("nothing to compare") == 1
    assert "No log holds two seals" not in said
    assert "the reasons stand in the table" not in said


def test_seals_are_compared_where_no_piece_was_left_bare(tmp_path, capsys):
    seals = ("wax",) * 4 + ("paint",) * 2
    folder = saved(tmp_path / "book", seals=seals, days=(0, 20, 40, 60))
    said = run("4_sealing", folder, capsys)
    assert "There is no comparison to make" not in said
    assert "paint" in next(line for line in said.splitlines() if "surface" in line)


def test_movement_and_the_next_season_say_what_a_book_of_three_bowls_cannot(tmp_path, capsys):
    book = saved(tmp_path / "book")
    said = run("6_movement", book, capsys)
    assert said.startswith("No rim was measured, so nothing can be said of movement.")
    assert "table rims" in said
    assert "Nothing to draw: " in said
    assert "Your own rims" not in said
    said = run("7_next_season", book, capsys)
    assert "too few pieces share a log" in said
    assert "no bare bowls were looked at after turning" in said
