"""A book of marks that are hard to keep, its round, and its folder."""

import pandas as pd
import pytest

import woodlab as wl

EVIL = "</script><script>alert(1)</script>"
MARKS = ["A1", "A2", "B1", "B2", "01", "1.10", "=SUM(1)", "__proto__", EVIL]


@pytest.fixture(scope="module")
def book():
    """Nine pieces of marks that are hard to keep, three weighings and a look each; B1 cracked."""
    pieces = pd.DataFrame({"piece": MARKS, "species": "white ash", "seal": "none",
                           "turned_on": "2026-03-01", "wall_mm": 25, "rim_mm": 240,
                           "place": EVIL})  # fmt: skip
    rows = [
        {"piece": mark, "on": f"2026-03-{1 + 7 * k:02d}",
         "mass_g": round((900 + 300 * i) * (0.7 + 0.3 * 0.8**k))}
        for i, mark in enumerate(MARKS) for k in range(3)
    ]  # fmt: skip
    looks = [{"piece": m, "on": "2026-03-15", "crack_mm": 12 if m == "B1" else 0} for m in MARKS]
    return wl.RecordBook.from_frames(
        pieces=pieces, weighings=pd.DataFrame(rows), looks=pd.DataFrame(looks)
    )


@pytest.fixture(scope="module")
def tour(book):
    return wl.shop_round(wl.fit_drying(book, law="exponential", draws=20), on="2026-03-22")


@pytest.fixture
def folder(book, tmp_path):
    book.save(tmp_path / "season")
    return tmp_path / "season"


def inside(tour):
    """A weight inside the band of every bowl."""
    due = tour.due.set_index("piece")
    return {mark: float(round(due.loc[mark, "expected_g"])) for mark in due.index}
