"""The page typed into in a real browser at 390 px, no network: reloaded, saved, taken back."""

from dataclasses import replace

import pytest

import woodlab as wl
from woodlab.round.sheets import write_round
from woodlab.round.taking import add_round, ledger
from woodlab.words import Units

from .conftest import EVIL, MARKS, inside

pytestmark = pytest.mark.browser


def test_a_page_in_inches_takes_fractions(browser, tour, folder, tmp_path):
    file = write_round(replace(tour, units=Units("lboz", "in")), tmp_path / "inches.html")
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(file.as_uri())
    page.click("#go-weigh")
    page.fill("#to", "B1")
    page.keyboard.press("Enter")
    assert "1/2 in on 15 March" in page.text_content("#known")
    page.check('#seg input[value="still"]')
    page.fill("#mm", "1 1/8")
    page.select_option("#act", "glued")
    page.click("#finish")
    with page.expect_download() as download:
        page.click("#save")
    download.value.save_as(tmp_path / "export.csv")
    page.close()
    assert add_round(folder, tmp_path / "export.csv").looks["crack_mm"].tolist() == [28.575]


def test_typed_with_enter_reloaded_mended_saved_and_taken_back(browser, tour, folder, tmp_path):
    file = write_round(tour, tmp_path / "round.html")
    weights = inside(tour)
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True,
        accept_downloads=True,
    )  # fmt: skip
    page = context.new_page()
    troubles, asked = [], []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("dialog", lambda dialog: (troubles.append(dialog.message), dialog.accept()))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(file.as_uri())
    page.fill("#who", "Tamsel")
    page.click("#go-look")
    seen = []
    for i in range(len(MARKS)):
        mark = page.text_content("#mark")
        seen.append(mark)
        if mark == "B1":  # Enter says nothing of a crack that is known
            assert "open, 12 mm on 15 March" in page.text_content("#known")
        wrong = weights[mark] / 10 if i == 1 else weights[mark]  # a slip of the decimal point
        page.fill("#w", f"{wrong:g}")
        page.keyboard.press("Enter")
        if i == 1:
            assert "slip of the decimal point" in page.text_content("#ask-text")
            page.click("#ask-ways button >> nth=0")  # puts it right and goes on
        if i == 4:
            page.reload()
    assert sorted(seen) == sorted(MARKS)
    assert EVIL in seen  # shown as text; nothing ran
    page.click("#on")
    page.fill("#to", "Q7")  # a bowl that is not on the list: asked about, and accepted
    page.keyboard.press("Enter")
    assert page.text_content("#mark") == "Q7"
    page.fill("#w", "1234")
    assert troubles.pop() == "No Q7 in this round. Add it as a bowl that is not on the list?"
    page.reload()
    assert page.input_value("#w") == "1234"
    assert page.text_content("#all") == str(len(MARKS) + 1)
    page.fill("#to", "A1")
    page.keyboard.press("Enter")
    page.select_option("#act", "finished")
    page.fill("#wall", "9,5")
    page.click("#finish")
    assert "B1" in page.text_content("#left")
    with page.expect_download() as download:
        page.click("#save")
    export = tmp_path / "export.csv"
    download.value.save_as(export)
    width = page.evaluate("document.documentElement.scrollWidth")
    context.close()
    assert troubles == []
    assert all(url.startswith(("file:", "blob:")) for url in asked)
    assert width <= 390
    assert "Tamsel" in download.value.suggested_filename
    with pytest.raises(wl.WoodlabError, match="no piece 'Q7' in the book, 1234 g"):
        add_round(folder, export)
    assert "Q7" in add_round(folder, export, odd="leave").notes[0]
    after = wl.open_book(folder)
    added = after.weighings[after.weighings["on"] == "2026-03-22"]
    assert dict(zip(added["piece"], added["mass_g"], strict=True)) == weights
    looks = after.looks[after.looks["on"] == "2026-03-22"]
    assert set(looks["piece"]) == set(MARKS) - {"B1"}
    assert after.pieces.set_index("piece").loc["A1", "finished_wall_mm"] == 9.5
    assert [row["who"] for row in ledger(folder)] == ["Tamsel"]
