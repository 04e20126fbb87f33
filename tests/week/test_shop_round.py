"""The round: who is due, in which order, what to expect on the scale, and one page to carry."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.drying.forecast.cracks import crack_states
from woodlab.drying.simulate import Schedule, simulate_season
from woodlab.drying.weather import invented_air
from woodlab.errors import WoodlabError
from woodlab.studies.next_season.printing import Sheet, SheetColumn, print_sheet
from woodlab.week.shop_round import shop_round


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
def fits(season):
    return wl.fit_drying(season, law="slab", as_of="2026-03-11", draws=80)


@pytest.fixture(scope="module")
def whole(fits):
    return shop_round(fits, on="2026-03-11")


@pytest.fixture(scope="module")
def tour(whole):
    return whole.due


def small(**changes):
    pieces = pd.DataFrame(
        {"piece": ["A1", "A2", "A3"], "species": "white ash", "seal": "none", "wall_mm": 25,
         "turned_on": "2026-03-01"}
    )  # fmt: skip
    weighings = pd.DataFrame(
        {"piece": ["A1", "A2"], "on": ["2026-03-01", "2026-03-08"], "mass_g": [1480, 1900]}
    )
    return wl.RecordBook.from_frames(**{"pieces": pieces, "weighings": weighings} | changes)


def test_nothing_later_than_the_day_is_used(season, fits, tour):
    later = wl.fit_drying(season.until("2026-04-20"), law="slab", draws=80)
    again = shop_round(later, on="2026-03-11").due  # fitted again up to the day
    pd.testing.assert_frame_equal(tour, again)
    assert (tour["last_on"] <= pd.Timestamp("2026-03-12")).all()


def test_the_order_is_open_cracks_then_risk_then_days(season, tour, whole):
    states = crack_states(season.until("2026-03-11")).set_index("piece")["state"]
    is_open = tour["piece"].map(states) == "open"
    assert is_open.tolist() == sorted(is_open.tolist(), reverse=True)
    assert is_open.sum() == (states == "open").sum() == whole.n_open
    rest = tour[~is_open]["crack_risk"].fillna(-1).to_numpy()
    assert (np.diff(rest) <= 0).all()
    known = tour.dropna(subset=["crack_risk"])
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
    fits = wl.fit_drying(book, law="exponential", draws=20)
    row = shop_round(fits, on="2026-03-11", cracks=study).due.set_index("piece").loc["Z1"]
    want = study.risk(unseen, by_day=min(60.0, study.model.last_days)).iloc[0]
    assert row["days_since_look"] == 60
    assert row["crack_risk"] == pytest.approx(want["risk"], rel=1e-6)
    assert row["crack"] == "not looked at"
    assert row["why"] == "never looked at; never weighed"
    assert row["expect"] == "not weighed yet"


def test_the_band_holds_the_next_weighing(season, tour):
    """Weights that came after the day fall inside the bands made before it."""
    day = pd.Timestamp("2026-03-11")
    tour = tour.set_index("piece")
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


def fitted(book, **more):
    return wl.fit_drying(book, law="exponential", draws=20, **more)


def test_who_is_due_by_hand():
    looks = pd.DataFrame(
        {"piece": ["A1", "A2"], "on": ["2026-06-20", "2026-06-20"], "crack_mm": [0, 0],
         "action": ["none", "scrapped"]}
    )  # fmt: skip
    weighings = pd.DataFrame(
        {"piece": ["A1", "A3"], "on": ["2026-06-20", "2026-06-01"], "mass_g": [1480, 1900]}
    )
    whole = shop_round(fitted(small(looks=looks, weighings=weighings)), on="2026-06-21")
    # Age 112: looks every 7 days, weights every 21. A1 was weighed yesterday; A2 is gone.
    assert whole[["piece", "do"]].to_numpy().tolist() == [["A3", "look, weigh"], ["A1", "look"]]
    assert whole.due.set_index("piece").loc["A3", "days_since_weighing"] == 20
    # A3 was never looked at in 112 days, 105 more than its age asks; said once
    assert whole["overdue_days"].tolist() == [105, 0]
    assert "One of the 2 bowls is overdue by more than a week, 105 days at most." in whole.notes


def test_a_makers_own_column_may_have_the_name_of_one_of_ours():
    pieces = small().pieces.assign(shelf="B2", state="fine", reason="gift", crack="?")
    whole = shop_round(fitted(small(pieces=pieces)), on="2026-03-20")
    assert whole["do"].tolist() == shop_round(fitted(small()), on="2026-03-20")["do"].tolist()
    assert set(whole["crack"]) == {"not looked at"}


def test_open_cracks_are_always_due_glue_is_remembered_and_ended_pieces_leave():
    looks = pd.DataFrame(
        [("A1", "2026-06-20", 12, "none"),
         ("A2", "2026-06-10", 9, "glued"), ("A2", "2026-06-18", 9, "none"),
         ("A3", "2026-06-18", 5, "none")],
        columns=["piece", "on", "crack_mm", "action"],
    )  # fmt: skip
    weighings = pd.DataFrame({"piece": ["A1", "A2", "A3"], "on": "2026-06-20", "mass_g": 1480})
    book = small(looks=looks, weighings=weighings)
    pieces = book.pieces.assign(
        outcome=[None, None, "finished"], ended_on=pd.to_datetime([None, None, "2026-06-20"])
    )
    book = wl.RecordBook.from_frames(**(book.tables() | {"pieces": pieces}))
    whole = shop_round(fitted(book), on="2026-06-21")
    # A1 was looked at and weighed yesterday, and is due for its open crack alone
    assert whole["piece"].tolist() == ["A1", "A2"]
    assert whole["crack"].tolist() == ["open, 12 mm on 20 June", "glued on 10 June"]
    assert whole["why"].tolist() == ["has the crack grown?", "does the glue hold?"]
    assert whole.n_open == 1
    assert "one open crack first" in whole.summary()
    assert set(shop_round(fitted(book), on="2026-06-19").due["piece"]) == {"A1", "A2", "A3"}


def test_a_book_without_looks_goes_by_the_days_and_says_so():
    whole = shop_round(fitted(small()), on="2026-03-20")
    assert whole["crack_risk"].isna().all()
    assert "No crack risk is known" in whole.summary()
    row = whole.due.set_index("piece")
    assert set(row.index) == {"A1", "A2", "A3"}
    assert row.loc["A3", "expected_from"] == "never weighed"
    assert row.loc["A1", "upper_g"] <= 1.02 * 1480 + 1e-6


def test_a_band_that_would_say_nothing_is_words():
    """One weighing three weeks old: the band is wider than a quarter of the weight."""
    row = shop_round(fitted(small()), on="2026-04-20").due.set_index("piece").loc["A1"]
    assert row["upper_g"] - row["lower_g"] > 0.25 * row["expected_g"]
    assert row["expect"] == f"at most {row['upper_g']:.0f}: too little is known for a band"


def test_an_empty_round_and_a_wrong_date(tmp_path):
    book = small()
    none = shop_round(book, on="2026-02-01")
    assert len(none) == 0
    assert none.summary() == "No piece is on the shelf on 1 February 2026."
    with pytest.raises(WoodlabError, match="soon. is not a date"):
        shop_round(book, on="soon")
    with pytest.raises(WoodlabError, match="Nothing is due"):
        none.sheet(tmp_path / "x.pdf")


def pages_of(path):
    from pypdf import PdfReader

    return [page.extract_text() for page in PdfReader(path).pages]


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_25_pieces_fit_on_one_page_with_their_marks(tmp_path, whole, paper):
    pytest.importorskip("pypdf", reason="pypdf reads the page back")
    rows = pd.concat([whole.due] * 2).head(25)
    path = replace(whole, due=rows, notes=()).sheet(tmp_path / "r.pdf", paper=paper)
    pages = pages_of(path)
    assert len(pages) == 1
    assert all(mark in pages[0] for mark in rows["piece"])
    assert str(rows["last_on"].iloc[0].year) in pages[0]
    more = pages_of(replace(whole, due=pd.concat([rows] * 3).head(60)).sheet(tmp_path / "r.pdf"))
    assert len(more) > 1
    assert all("expect (g)" in page.replace("\n", " ") for page in more)


def test_nothing_of_a_row_is_cut_in_print(tmp_path, whole):
    pytest.importorskip("pypdf", reason="pypdf reads the page back")
    crack = "glued, and longer since: 22 mm on 29 December 2025"
    rows = whole.due.head(3).assign(crack=crack, place=["loft", "the shed behind the mill", "loft"])
    [page] = pages_of(replace(whole, due=rows).sheet(tmp_path / "r.pdf"))
    told = " ".join(page.split())
    assert told.count(crack) == 3
    assert "the shed behind the mill" in told
    [page] = pages_of(replace(whole, due=rows.assign(place="loft")).sheet(tmp_path / "r.pdf"))
    assert page.split("\n")[0].endswith(", loft")  # one place is said once


def test_names_are_text_and_never_markup(tmp_path):
    pytest.importorskip("pypdf", reason="pypdf reads the page back")
    nasty = ['#read("/etc/passwd")', "$x^2$ *b* _i_", "= head", "\u202eabc\x00", "<b>&amp;", "日本"]
    sheet = Sheet("#t", [SheetColumn("a", 1.0)], [[name] for name in nasty], above=["#panic()"])
    text = "".join(pages_of(print_sheet(tmp_path / "s.pdf", sheet)))
    for part in ['#read("/etc/passwd")', "$x^2$ *b* _i_", "= head", "abc", "<b>&amp;", "#panic()"]:
        assert part in text
    with pytest.raises(WoodlabError, match="to a .pdf file"):
        print_sheet(tmp_path / "s.txt", sheet)


def test_no_band_lets_drying_wood_gain_more_than_the_book_would_doubt(tour):
    assert (tour["upper_g"] <= np.maximum(1.02 * tour["last_g"], tour["expected_g"] + 2)).all()
    assert (tour["upper_g"] - tour["expected_g"] >= 2 - 1e-9).all()
    assert (tour["expected_g"] - tour["lower_g"] >= 2 - 1e-9).all()


def test_the_expected_weight_is_that_of_the_fits(fits, tour):
    at = fits.predict(on=["2026-03-11"], level=0.99).set_index("piece")
    row = tour.set_index("piece")
    assert row["expected_g"].tolist() == at["mass_g"].reindex(row.index).tolist()


def test_it_is_said_why_no_piece_has_a_risk(season, fits):
    study = wl.crack_study(season.until("2026-03-11"))
    whole = shop_round(fits, on="2026-07-20", cracks=study)
    assert whole.due.loc[whole["crack"] == "none seen", "crack_risk"].isna().all()
    assert "older now than any was at a look" in " ".join(whole.notes)
