"""The section on what is ready: no more is said than the chances and intervals bear."""

from dataclasses import dataclass

import pandas as pd
import pytest

import woodlab as wl
from woodlab.article.forms import Forms
from woodlab.article.parts.ready import ready_part

AS_OF = pd.Timestamp("2026-07-20")


@dataclass
class Given:
    """What `ready_part` asks of `Asked`."""

    ready: pd.DataFrame
    book: wl.RecordBook


def book(**tables):
    pieces = pd.DataFrame(
        {"piece": ["A1"], "species": "white ash", "seal": "none", "wall_mm": 25,
         "turned_on": "2026-03-01"}
    )  # fmt: skip
    weighings = pd.DataFrame({"piece": ["A1"], "on": ["2026-03-01"], "mass_g": [1480]})
    return wl.RecordBook.from_frames(pieces=pieces, weighings=weighings, **tables)


def part_of(rows, n_weighings=4, **tables):
    """`rows`: chance now, median day, latest day, of each piece."""
    frame = pd.DataFrame(rows, columns=["p_ready_now", "ready_on", "latest_on"])
    for name in ("ready_on", "latest_on"):
        frame[name] = pd.to_datetime(frame[name])
    frame["earliest_on"] = frame["ready_on"] - pd.Timedelta(days=20)
    frame = frame.assign(
        piece=[f"P{i}" for i in range(len(frame))], as_of=AS_OF, target_moisture_pct=15.0,
        level=0.9, n_weighings=n_weighings, reason="",
    )  # fmt: skip
    return ready_part(Given(frame, book(**tables)), Forms("en"))


UNSURE = [(0.7, "2026-07-01", None)] * 5 + [(0.0, "2026-12-01", None)] * 3


def test_a_chance_of_seven_in_ten_is_not_told_as_a_fact():
    part = part_of(UNSURE)
    reached = part.finding("ready.reached")
    assert reached.value == 0
    assert reached.short.endswith("probably dried to 15 % moisture, none of them for certain")
    assert "5 of 8 pieces had probably dried" in part.told[0]
    assert "none was that dry with a chance of 95 % or more; the likeliest had 70 %" in part.told[0]


def test_sure_and_likely_pieces_are_counted_apart():
    part = part_of([(0.99, "2026-05-01", "2026-06-01")] * 3 + UNSURE)
    assert part.finding("ready.reached").value == pytest.approx(3 / 11)
    assert "3 of 11 pieces had once dried to 15 % moisture, and 5 more probably had" in part.told[0]
    assert "3 of 11 were that dry" in part.told[0]
    assert "5 more with a chance better than even" in part.told[0]


def test_a_chance_just_below_the_bar_is_not_rounded_onto_it():
    part = part_of([(0.949, "2026-07-01", None), (0.0, "2026-12-01", None)])
    assert "the likeliest had 94 %" in part.told[0]


def test_none_ready_is_said_once():
    part = part_of([(0.0, "2026-12-01", "2027-02-01")] * 6)
    assert part.told[0] == "by July 20, 2026 none of the 6 pieces had dried to 15 % moisture"
    assert part.told[1].startswith("they should follow between November 11, 2026 and")
    assert part.finding("ready.reached").short == ""


def test_an_open_end_is_no_promise():
    told = part_of(UNSURE).told[1]
    assert told.startswith("3 more pieces may follow from November 11, 2026 on")
    assert "for any of them no latest day can be told" in told


def test_one_piece_is_not_one_of_one():
    part = part_of([(0.7, "2026-07-01", None)])
    assert "the one piece had probably dried to 15 % moisture" in part.told[0]
    assert "its chance of being that dry was 70 %" in part.told[0]


def test_pieces_never_weighed_have_no_date():
    part = part_of([(0.0, "2026-12-01", None)] * 4, n_weighings=0)
    assert part.findings == ()
    assert part.told == ()
    assert part.unknown == (
        "when 4 pieces will be ready (P0, P1, P2 and P3): they were not weighed",
    )


def test_it_is_said_what_the_dates_rest_on():
    bare = part_of(UNSURE, n_weighings=2).told[-1]
    assert "nothing was dried in an oven" in bare
    assert "taken as that indoors" in bare
    assert "tell more of wood in general" in bare
    offcuts = pd.DataFrame({"wet_g": [100.0], "oven_dry_g": [60.0], "piece": ["A1"]})
    air = pd.DataFrame({"on": ["2026-03-01"], "temp_c": [10.0], "rh_pct": [70.0]})
    full = part_of(UNSURE, offcuts=offcuts, air=air).told[-1]
    assert "offcuts dried in an oven" in full
    assert "indoors" not in full
    assert "in general" not in full
