"""The weekly loop by commands alone, shortened: what is typed is in the book, and it is little."""

import pytest
from bench_week import play


@pytest.mark.parametrize(("unit", "cells"), [("g", 1), ("lb", 2)])
def test_two_weeks_of_four_bowls_cost_little_more_than_their_weights(tmp_path, unit, cells):
    # play() itself compares each typed weight with the book, and the rounds with what has ended
    weeks = play(4, 2, tmp_path, unit)
    assert weeks["on_the_round"].tolist() == [4, 4]
    assert weeks["cells"].sum() <= 2 * (4 * cells + 1) + 3 * 4
    assert (weeks["left"] <= 4).all()
