"""The article's folder is the old one or the new one, never half of either."""

import os

import pytest

from woodlab.article import placing
from woodlab.article.placing import written_beside
from woodlab.errors import WoodlabError, WorkError


def article_in(folder, text="old"):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "article.json").write_text("{}")
    (folder / "article.md").write_text(text)
    return folder


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_new_folder_appears_whole(tmp_path):
    out = tmp_path / "a" / "article"
    with written_beside(out) as folder:
        article_in(folder, "new")
        assert not out.exists()
    assert names(out) == ["article.json", "article.md"]
    assert names(tmp_path / "a") == ["article"]


def test_an_error_leaves_the_old_article_and_nothing_else(tmp_path):
    out = article_in(tmp_path / "article")

    def write_half():
        with written_beside(out) as folder:
            (folder / "article.md").write_text("half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_half()
    assert (out / "article.md").read_text() == "old"
    assert names(tmp_path) == ["article"]


def test_an_earlier_article_is_replaced_and_other_files_stay(tmp_path):
    out = article_in(tmp_path / "article")
    (out / "article.pdf").write_text("old pdf")
    (out / "letter to the editor.txt").write_text("mine")
    (out / "photos").mkdir()
    (out / "photos" / "1.jpg").write_text("mine too")
    with written_beside(out) as folder:
        article_in(folder, "new")
    assert names(out) == ["article.json", "article.md", "letter to the editor.txt", "photos"]
    assert (out / "article.md").read_text() == "new"
    assert (out / "photos" / "1.jpg").read_text() == "mine too"


def test_a_folder_of_other_files_is_refused(tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(WoodlabError, match="holds other files"), written_beside(tmp_path):
        pass
    assert names(tmp_path) == ["thesis.txt"]


def test_a_file_in_the_way_is_refused(tmp_path):
    (tmp_path / "article").write_text("mine")
    with pytest.raises(WoodlabError, match="is a file"), written_beside(tmp_path / "article"):
        pass


def test_a_disk_that_fails_at_the_swap_is_said_and_harms_nothing(tmp_path, monkeypatch):
    out = article_in(tmp_path / "article")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(placing, "_swap_in", full)
    with pytest.raises(WorkError, match="No space left"), written_beside(out) as folder:
        article_in(folder, "new")
    assert (out / "article.md").read_text() == "old"
    assert names(tmp_path) == ["article"]


def test_a_run_stopped_between_the_two_moves_is_made_good(tmp_path):
    out = tmp_path / "article"
    article_in(tmp_path / ".article-old")
    with written_beside(out) as folder:
        assert (out / "article.md").read_text() == "old"  # found again before anything is written
        article_in(folder, "new")
    assert (out / "article.md").read_text() == "new"
    assert names(tmp_path) == ["article"]


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs an ordinary POSIX user")
def test_a_folder_one_may_not_write_to_is_said(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(WorkError, match="cannot be written"), written_beside(tmp_path / "x"):
        pass
