"""Pages of made-up seasons, written once for all tests of this folder."""

import functools

import pytest
from page_seasons import SEASONS, season

from woodlab.pages.page import write_pages


@pytest.fixture(scope="session")
def season_written(tmp_path_factory):
    """Of a season's name, its facts and the folder of its pages."""

    @functools.cache
    def made(name):
        folder, facts = tmp_path_factory.mktemp("season"), season(**SEASONS[name])
        (folder / "3_ready.html").write_text("a page of a notebook")
        write_pages(facts, folder)
        return facts, folder

    return made


@pytest.fixture(params=SEASONS)
def written(request, season_written):
    return season_written(request.param)
