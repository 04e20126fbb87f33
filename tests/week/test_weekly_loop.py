"""The weekly loop by commands alone, shortened: what is typed is in the book, and it is little."""

from bench_week import play


def test_two_weeks_of_four_bowls_cost_little_more_than_a_cell_a_bowl(tmp_path):
    # play() itself compares each typed weight with the book, and the rounds with what has ended
    weeks = play(4, 2, tmp_path)
    assert weeks["on_the_round"].tolist() == [4, 4]
    assert weeks["cells"].sum() <= 2 * (4 + 1) + 3 * 4
    assert (weeks["left"] <= 4).all()
