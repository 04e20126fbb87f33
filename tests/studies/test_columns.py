"""What the studies share: columns of the table `pieces`, tables of a result, small numbers."""

from dataclasses import make_dataclass

import numpy as np
import pandas as pd
import pytest

from woodlab.studies.cautions import CRACKED_WOOD, in_short
from woodlab.studies.columns import asked_columns, groups_of, log_names, wall_class, with_numbers
from woodlab.studies.cracks.counts import between_logs
from woodlab.studies.cracks.design import Factor, part_of
from woodlab.studies.export import tables_of
from woodlab.studies.movement.rim_rows import t_reach
from woodlab.words import one_line


def test_a_piece_without_a_log_is_a_log_of_its_own():
    frame = pd.DataFrame({"piece": ["A1", "A2", "x"], "log": ["A", "A", None]})
    assert log_names(frame).tolist() == ["A", "A", "piece x"]


def test_columns_are_numbers_where_every_cell_is_one():
    pieces = pd.DataFrame({"hours": ["6", "", "4.5"], "shelf": ["A", "B", "2"]})
    read = with_numbers(pieces, ["hours", "shelf"])
    np.testing.assert_array_equal(read["hours"], [6.0, np.nan, 4.5])
    assert read["shelf"].tolist() == ["A", "B", "2"]


def test_numbers_make_thirds_and_walls_make_classes():
    thirds = groups_of(pd.Series(np.arange(1.0, 10.0))).unique().tolist()
    assert thirds == ["1 to 3", "4 to 6", "7 to 9"]
    classes = wall_class(pd.Series([18.0, 41.0])).tolist()
    assert classes == ["10 to under 20 mm", "40 to under 50 mm"]


def test_joined_books_are_a_column_that_is_asked():
    one = pd.DataFrame({"maker": ["x", "y"], "book": ["north", "north"]})
    assert asked_columns(one, None, "maker") == ([], ["maker"])
    two = one.assign(book=["north", "south"])
    assert asked_columns(two, ["maker"], ()) == (["maker", "book"], ["book"])


def test_terms_are_factors_against_the_commonest_or_numbers_in_steps():
    frame = pd.DataFrame({"maker": ["x", "y", "y"], "hours_soaked": [0.0, 12.0, 24.0]})
    assert part_of(frame, "maker") == Factor("maker", ("y", "x"))
    assert part_of(frame, "hours_soaked").step == 10.0


def test_tables_of_a_result_and_of_what_it_holds():
    inner = make_dataclass("Inner", [("rows", object)])(pd.DataFrame({"a": [1]}))
    outer = make_dataclass("Outer", [("effects", object), ("first", object)])
    assert list(tables_of(outer(pd.DataFrame({"b": [2]}), inner))) == ["effects", "first_rows"]


def test_the_scatter_between_logs_is_drawn_towards_the_usual():
    frame = pd.DataFrame({"species": "ash", "seal": "none", "log": list("aabbccdd"),
                          "cracked": [True, True, False, False] * 2})  # fmt: skip
    assert between_logs(frame) == pytest.approx((4 * 1.0 + 10 * 0.05) / 14)


def test_small_things():
    assert t_reach([1.0, 2.0, 3.0]) == pytest.approx(4.302653 / np.sqrt(3))
    assert in_short(CRACKED_WOOD) == "Cracked wood can fly apart on the lathe."
    assert one_line("wax, twice, then a bag of shavings", 12) == "wax, twice,…"
