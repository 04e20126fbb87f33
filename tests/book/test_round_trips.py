"""What is saved is the same book when it is opened again, in every format."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

sys.path.insert(0, str(Path(__file__).parent))

import round_trips  # noqa: E402


@pytest.mark.parametrize("form", round_trips.FORMS)
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(tables=round_trips.frames())
def test_the_hash_before_is_the_hash_after(form, tables):
    book = round_trips.book_of(tables)
    with tempfile.TemporaryDirectory() as folder:
        assert round_trips.came_back(book, Path(folder) / form) == "same"
