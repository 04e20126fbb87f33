"""A question asked once within the main job, and as ever outside it."""

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.drying.asked import asked_once, shared


@pytest.fixture
def times():
    asked = []

    @asked_once
    def question(book, share=0.5, among=()):
        asked.append((book, share))
        return pd.DataFrame({"share": [share]})

    question.asked = asked
    return question


def test_outside_the_main_job_each_question_is_asked_again(times):
    times(None)
    times(None)
    assert len(times.asked) == 2


def test_the_same_question_is_answered_once_and_each_answer_is_one_s_own(times, tmp_path):
    book = wl.demo_book().only(pieces=["A1"])
    with shared(tmp_path):
        first = times(book)
        first["share"] = 9.0
        assert times(book, share=0.5)["share"].tolist() == [0.5]
        assert len(times.asked) == 1
        times(book, 0.6)
        times(wl.demo_book().only(pieces=["A2"]))
        times(book, among=np.array([1.0]))
        times(book, among=np.array([2.0]))
        assert len(times.asked) == 5
    times(book)
    assert len(times.asked) == 6


def test_what_cannot_be_named_is_asked_each_time(times, tmp_path):
    with shared(tmp_path):
        times(pd.DataFrame())
        times(pd.DataFrame())
    assert len(times.asked) == 2
    assert not list(tmp_path.iterdir())


def test_fits_are_told_apart_by_book_day_and_draws(tmp_path):
    book = wl.demo_book().only(pieces=["A1", "A3"])
    early, late = (wl.fit_drying(book, "slab", as_of=day) for day in ("2025-05-01", "2025-06-01"))
    with shared(tmp_path):
        for fits in (early, late, early):
            wl.core_to_surface(fits)
        assert len(list(tmp_path.iterdir())) == 2
        again = wl.core_to_surface(late)
    pd.testing.assert_frame_equal(again, wl.core_to_surface(late))
