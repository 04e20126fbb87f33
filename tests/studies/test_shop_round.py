"""The round: who is due, in which order, what to expect on the scale, and one page to carry."""

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.drying.simulate import Schedule, simulate_season
from woodlab.drying.weather import invented_air
from woodlab.errors import WoodlabError
from woodlab.studies.next_season.printing import Sheet, SheetColumn, print_sheet, shown
from woodlab.studies.next_season.shop_round import print_round, round_sheet, shop_round


@pytest.fixture(scope="module")
def season():
    pieces = pd.DataFrame(
        [
            (f"{log}{i}", "sugar maple", pd.Timestamp("2026-01-10"), 20.0 + 4 * i, seal, log, 240.0)
            for log in "ABCDEF"
            for i, seal in enumerate(["none", "none", "wax all over", "wax all over"])
        ],
        columns=["piece", "species", "turned_on", "wall_mm", "seal", "log", "rim_mm"],
    )
    air = invented_air("2026-01-01", 240, seed=11)
    return simulate_season(pieces, air, seed=13, schedule=Schedule(look_every=6)).book


@pytest.fixture(scope="module")
def tour(season):
    return shop_round(season, on="2026-03-11")


def small(**changes):
    pieces = pd.DataFrame(
        {"piece": ["A1", "A2", "A3"], "species": "white ash", "seal": "none", "wall_mm": 25,
         "turned_on": "2026-03-01"}
    )  # fmt: skip
    weighings = pd.DataFrame(
        {"piece": ["A1", "A2"], "on": ["2026-03-01", "2026-03-08"], "mass_g": [1480, 1900]}
    )
    return wl.RecordBook.from_frames(**{"pieces": pieces, "weighings": weighings} | changes)


def test_nothing_later_than_the_day_is_used(season, tour):
    again = shop_round(season.until("2026-03-11"), on="2026-03-11")
    pd.testing.assert_frame_equal(tour, again)
    assert (tour["last_on"] <= pd.Timestamp("2026-03-12")).all()


def test_the_order_is_cracked_then_risk_then_days(season, tour):
    looks = season.until("2026-03-11").looks
    last = looks.sort_values("on").groupby("piece").tail(1).set_index("piece")
    is_open = tour["piece"].map((last["crack_mm"] > 0) & (last["action"] != "glued"))
    assert is_open.tolist() == sorted(is_open.tolist(), reverse=True)
    rest = tour[~is_open]["crack_risk"].fillna(-1).to_numpy()
    assert (np.diff(rest) <= 0).all()
    known = tour.head(25).dropna(subset=["crack_risk"])
    assert len(known) >= 10
    assert (known["crack_risk_lower"] <= known["crack_risk"]).all()
    assert (known["crack_risk"] <= known["crack_risk_upper"]).all()


def test_the_risk_is_that_of_the_crack_study_over_the_days_since_the_look(season):
    """A piece never looked at has the study's risk from turning on: another route, `risk`."""
    past = season.until("2026-03-11")
    study = wl.crack_study(past)
    unseen = past.pieces.loc[[0]].assign(piece="Z1")
    pieces = pd.concat([past.pieces, unseen], ignore_index=True)
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=past.weighings, looks=past.looks)
    tour = shop_round(book, on="2026-03-11", cracks=study)
    row = tour.set_index("piece").loc["Z1"]
    age = min(60.0, study.model.last_days)
    want = study.risk(unseen, by_day=age).iloc[0]
    assert row["days_since_look"] == 60
    assert row["crack_risk"] == pytest.approx(want["risk"], rel=1e-9)
    assert row["why"].startswith("never looked at")


def test_the_band_holds_the_next_weighing(season):
    """Weights that came after the day fall inside the bands made before it."""
    day = pd.Timestamp("2026-03-11")
    tour = shop_round(season, on=day).set_index("piece")
    later = season.weighings[season.weighings["on"].between(day, day + pd.Timedelta(days=1))]
    later = later[later["piece"].isin(tour.index)].set_index("piece")["mass_g"]
    soon = season.weighings[
        season.weighings["on"].between(day, day + pd.Timedelta(days=6))
        & ~season.weighings["piece"].isin(later.index)
    ].set_index("piece")["mass_g"]
    both = pd.concat([later, soon])
    band = tour.loc[tour.index.intersection(both.index)]
    slack = 0.02 * band["expected_g"]  # up to six days of drying beyond the day of the round
    inside = both.loc[band.index].between(band["lower_g"] - slack, band["upper_g"])
    assert len(band) >= 12
    assert inside.mean() >= 0.9
    width = (tour["upper_g"] - tour["lower_g"]) / tour["expected_g"]
    assert width.median() < 0.08, "a band that wide would find no wrong scale"


def test_who_is_due_by_hand():
    looks = pd.DataFrame(
        {"piece": ["A1", "A2"], "on": ["2026-06-20", "2026-06-20"], "crack_mm": [0, 0],
         "action": ["none", "scrapped"]}
    )  # fmt: skip
    weighings = pd.DataFrame(
        {"piece": ["A1", "A3"], "on": ["2026-06-20", "2026-06-01"], "mass_g": [1480, 1900]}
    )
    tour = shop_round(small(looks=looks, weighings=weighings), on="2026-06-21")
    # Age 112: looks every 7 days, weights every 21. A1 was weighed yesterday; A2 is gone.
    assert tour[["piece", "do"]].to_numpy().tolist() == [["A3", "look, weigh"], ["A1", "look"]]
    assert tour.set_index("piece").loc["A3", "days_since_weighing"] == 20


def test_a_book_without_looks_goes_by_the_days_and_says_so():
    tour = shop_round(small(), on="2026-03-20")
    assert tour["crack_risk"].isna().all()
    assert "looks" in tour.attrs["risk_reason"]
    assert set(tour["piece"]) == {"A1", "A2", "A3"}
    row = tour.set_index("piece")
    assert row.loc["A3", "expected_from"] == "never weighed"
    assert np.isnan(row.loc["A1", "expected_g"])
    assert row.loc["A1", "upper_g"] == pytest.approx(1.02 * 1480)
    assert "too few weights" in row.loc["A1", "expected_from"]


def test_neighbours_tell_what_a_piece_weighed_once_should_weigh():
    names = [f"N{i}" for i in range(8)]
    pieces = pd.DataFrame(
        {"piece": [*names, "A1"], "species": "white ash", "seal": "none", "wall_mm": 25,
         "turned_on": "2026-03-01"}
    )  # fmt: skip
    rows = [
        (name, day, 1000.0 * (1 + i / 10) * (1 - 0.01 * n) ** (1 + 0.02 * i))
        for i, name in enumerate(names)
        for n, day in enumerate(pd.date_range("2026-03-01", periods=3, freq="10D"))
    ]
    rows.append(("A1", pd.Timestamp("2026-03-01"), 2000.0))
    weighings = pd.DataFrame(rows, columns=["piece", "on", "mass_g"])
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings)
    row = shop_round(book, on="2026-03-21").set_index("piece").loc["A1"]
    assert row["expected_g"] == pytest.approx(2000 * 0.98**1.07, rel=2e-3)
    assert row["lower_g"] < row["expected_g"] < row["upper_g"] < 2000
    assert row["expected_from"].startswith("8 pieces")


def test_an_empty_round_and_a_wrong_date():
    book = small()
    assert shop_round(book, on="2026-02-01").empty
    with pytest.raises(WoodlabError, match="'soon' is not a date"):
        shop_round(book, on="soon")
    with pytest.raises(WoodlabError, match="Nothing is due"):
        round_sheet(book, on="2026-02-01", out="x.pdf")


def pages_of(path):
    from pypdf import PdfReader

    return [page.extract_text() for page in PdfReader(path).pages]


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_25_pieces_fit_on_one_page_with_their_marks(tmp_path, tour, paper):
    pytest.importorskip("pypdf", reason="pypdf reads the page back")
    rows = pd.concat([tour, tour]).head(25)
    path = print_round(rows, "2026-03-11", tmp_path / "r.pdf", name="loft", paper=paper)
    pages = pages_of(path)
    assert len(pages) == 1
    assert all(mark in pages[0] for mark in rows["piece"])
    more = pages_of(print_round(pd.concat([tour] * 3).head(60), "2026-03-11", tmp_path / "r.pdf"))
    assert len(more) > 1
    assert all("expect (g)" in page.replace("\n", " ") for page in more)


def test_names_are_text_and_never_markup(tmp_path):
    pytest.importorskip("pypdf", reason="pypdf reads the page back")
    nasty = ['#read("/etc/passwd")', "$x^2$ *b* _i_", "= head", "\u202eabc\x00", "<b>&amp;", "日本"]
    sheet = Sheet("#t", [SheetColumn("a", 1.0)], [[name] for name in nasty], above=["#panic()"])
    text = "".join(pages_of(print_sheet(sheet, tmp_path / "s.pdf")))
    for part in ['#read("/etc/passwd")', "$x^2$ *b* _i_", "= head", "abc", "<b>&amp;", "#panic()"]:
        assert part in text
    assert shown("a" * 50, 10) == "a" * 9 + "…"
    with pytest.raises(WoodlabError, match="to a .pdf file"):
        print_sheet(sheet, tmp_path / "s.txt")


def young(n=8, days=(0, 3)):
    """Pieces a few days old, each weighed on each of `days`."""
    pieces = pd.DataFrame(
        {"piece": [f"A{i}" for i in range(n)], "species": "white ash", "seal": "none",
         "wall_mm": 25, "turned_on": "2026-11-18"}
    )  # fmt: skip
    weighings = pd.DataFrame(
        [
            (f"A{i}", pd.Timestamp("2026-11-18") + pd.Timedelta(days=day),
             round((1500 + 60 * i) * (0.65 + 0.35 * np.exp(-day / 35))))
            for i in range(n) for day in days
        ],
        columns=["piece", "on", "mass_g"],
    )  # fmt: skip
    return wl.RecordBook.from_frames(pieces=pieces, weighings=weighings)


def test_a_few_days_old_pieces_go_on_losing_and_no_band_is_without_width():
    """Every piece lost 2.9 % in three days; a day and a half later it should have lost more."""
    tour = shop_round(young(), on="2026-11-22")
    assert len(tour) == 8
    lost = 1 - tour["expected_g"] / tour["last_g"]
    # From the day of the last weighing to noon of the day of the round, at the last loss a day.
    whole = np.log(0.65 + 0.35 * np.exp(-3 / 35))
    assert lost.to_numpy() == pytest.approx(1 - np.exp(1.5 / 3 * whole), abs=0.001)
    assert (tour["upper_g"] - tour["expected_g"] >= 2 - 1e-9).all()
    assert (tour["expected_g"] - tour["lower_g"] >= 2 - 1e-9).all()


def test_no_band_lets_drying_wood_gain_more_than_the_book_would_doubt():
    """Four weighings leave a curve so free that its band reached 13 % above the last weight."""
    tour = shop_round(young(n=3, days=(0, 21, 60, 120)).until("2027-04-01"), on="2027-03-28")
    assert len(tour) == 3
    assert (tour["upper_g"] <= 1.02 * tour["last_g"] + 1e-6).all()


def test_it_is_said_why_no_piece_has_a_risk(season):
    tour = shop_round(season, on="2027-06-01")
    whole = tour[~(tour["last_crack_mm"] > 0)]
    assert len(whole)
    assert whole["crack_risk"].isna().all()
    assert "older now than any was at a look" in tour.attrs["risk_reason"]
