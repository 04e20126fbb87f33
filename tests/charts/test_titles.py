"""The title rule: ten words, worded as surely as the data allow, for every public chart."""

import contextlib
import doctest
import inspect

import altair
import numpy as np
import pandas as pd
import pytest

from woodlab import charts
from woodlab.charts import theme
from woodlab.charts.titles import MOST_WORDS, Claim, certainties, fitting, word_count
from woodlab.errors import WoodlabError

CLAIM = Claim("more", "less", "likely more", "likely less", "open", "alike")
NO_TITLE = {"use_charts", "save_chart", "themed", "SortableList",
            "ready_list", "drawn"}  # fmt: skip


@pytest.mark.parametrize(
    ("ratio", "sure", "ends", "said"),
    [
        (2.9, "clear", (2.7, 3.1), "More"),
        (0.2, "clear", (0.05, 0.9), "Less"),
        (1.3, "likely", (0.9, 1.9), "Likely more"),
        (0.5, "likely", (0.2, 1.1), "Likely less"),
        (1.1, "open", (0.7, 1.7), "Open"),
        (1.1, "nothing", (np.nan, np.nan), "Open"),
        (1.0, "open", (0.95, 1.06), "Alike"),
        (np.nan, "clear", (0.0, 0.39), "Less"),  # no event in one group: a bound alone
        (np.nan, "clear", (2.0, np.inf), "More"),
    ],
)
def test_a_claim_is_worded_by_its_certainty_alone(ratio, sure, ends, said):
    assert CLAIM.said(ratio, sure, *ends) == said


def test_the_studys_own_certainty_comes_before_p_values():
    frame = pd.DataFrame({"p_value": [0.001], "certainty": ["open"]})
    assert certainties(frame).tolist() == ["open"]
    assert certainties(frame.drop(columns="certainty")).tolist() == ["clear"]


def test_p_values_are_corrected_within_their_family():
    # Holm by hand: 0.03 of two is 0.04 at least (2 x 0.02), 0.03 alone stays 0.03
    frame = pd.DataFrame({"outcome": ["a", "a", "b"], "p_value": [0.02, 0.03, 0.03]})
    assert certainties(frame).tolist() == ["clear", "clear", "clear"]
    frame["p_value"] = [0.03, 0.04, 0.04]  # 0.06, 0.06; 0.04
    assert certainties(frame).tolist() == ["likely", "likely", "clear"]


def test_few_events_are_never_likely():
    frame = pd.DataFrame({"p_value": [0.1, 0.1], "outcome": ["a", "b"], "n_cracked": [4, 5]})
    assert certainties(frame).tolist() == ["open", "likely"]


def test_a_long_title_is_refused_and_never_cut():
    eleven = " ".join(["word"] * 11)
    with pytest.raises(WoodlabError, match="at most 10 words"):
        fitting(eleven)
    assert fitting(eleven, "short enough") == "Short enough"


def titled(name, monkeypatch):
    """The titles of the charts in the function's own examples, as they are drawn."""
    seen, drawn = [], altair.TitleParams
    monkeypatch.setattr(
        theme.altair, "TitleParams",
        lambda text, **how: seen.append((text, how.get("subtitle"))) or drawn(text, **how),
    )  # fmt: skip
    scope = {"pd": pd, "np": np, name: getattr(charts, name)}
    for example in doctest.DocTestParser().get_examples(inspect.getdoc(getattr(charts, name))):
        with contextlib.suppress(WoodlabError):
            exec(compile(example.source, name, "single"), scope)
    return seen


@pytest.mark.parametrize("name", sorted(set(charts.__all__) - NO_TITLE))
def test_every_public_chart_has_a_title_and_a_subtitle(name, monkeypatch):
    seen = titled(name, monkeypatch)
    assert seen, "no chart of its examples has a title"
    for text, below in seen:
        if below is not None:  # else the heading of a panel
            assert word_count(" ".join(text)) <= MOST_WORDS
            assert " ".join(below).endswith((".", "%", "]"))
    assert any(below for _, below in seen)
