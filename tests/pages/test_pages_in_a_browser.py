"""The pages and pictures as a browser draws them: nothing too wide, no word cut off."""

import pytest
from sight import words_and_contrast

pytestmark = pytest.mark.browser

# words whose box leaves the picture, or that lie upon others of their kind in the title
CUT = """() => { const box = document.querySelector('svg').getBoundingClientRect();
return [...document.querySelectorAll('svg text')].filter(t => t.textContent.trim()).filter(t => {
 const b = t.getBoundingClientRect();
 return b.width && (b.left < box.left - 1 || b.right > box.right + 1 || b.top < box.top - 1 ||
   b.bottom > box.bottom + 1); }).map(t => t.textContent); }"""
# boxes that stand out of the page, and words that their own box cuts off
OUT = """() => [...document.querySelectorAll('body *')].filter(e => {
 const s = getComputedStyle(e), b = e.getBoundingClientRect();
 if (!b.width || e.closest('.skip') || e.closest('.scroll')) return false;
 return b.right > innerWidth + 1 || (s.overflowX === 'hidden' && e.scrollWidth > e.clientWidth + 1);
}).map(e => e.tagName + '.' + e.className + ': ' + e.textContent.slice(0, 40))"""


@pytest.fixture(params=["usual", "many shelves and bowls", "long and hostile names", "three bowls"])
def folder(request, season_written):
    return season_written(request.param)[1]


def opened(browser, path, width, scheme="light"):
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
    context.set_offline(True)
    page = context.new_page()
    page.goto(path.as_uri())
    page.evaluate("document.querySelectorAll('img').forEach(i => { i.loading = 'eager' })")
    page.wait_for_load_state("networkidle")
    return page


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("name", ["index", "evidence"])
def test_nothing_is_wider_than_the_screen(browser, folder, name, width):
    page = opened(browser, folder / f"{name}.html", width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(OUT) == []
    broken = "[...document.images].filter(i => i.complete && !i.naturalWidth).map(i => i.src)"
    assert page.evaluate(broken) == []
    page.context.close()


def test_no_word_of_a_picture_is_cut_off(browser, folder):
    page = browser.new_page(viewport={"width": 900, "height": 900})
    for path in sorted((folder / "pictures").glob("*.svg")):
        page.set_content(path.read_text(encoding="utf-8"))
        assert page.evaluate(CUT) == [], path.name
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_words_have_contrast_as_drawn(browser, folder, scheme):
    page = opened(browser, folder / "index.html", 1280, scheme)
    pairs = words_and_contrast(page)
    assert len(pairs) > 20
    assert [pair for pair in pairs if pair[0] < 4.5] == []
    page.context.close()


def test_a_picture_turns_dark_with_the_screen(browser, season_written):
    svg = (season_written("usual")[1] / "pictures" / "season.svg").read_text(encoding="utf-8")
    grounds = []
    for scheme in ("light", "dark"):
        page = browser.new_page(color_scheme=scheme)
        page.set_content(svg)
        fills = "[...document.querySelectorAll('svg *')].map(e => getComputedStyle(e).fill)"
        grounds.append(set(page.evaluate(fills)))
        page.close()
    assert "rgb(255, 255, 255)" in grounds[0]
    assert "rgb(20, 23, 27)" in grounds[1]
    assert "rgb(255, 255, 255)" not in grounds[1]
    assert "rgb(29, 29, 27)" not in grounds[1]  # no dark ink is left on dark paper


def test_the_work_of_a_usual_season_prints_on_one_sheet(browser, season_written):
    page = opened(browser, season_written("usual")[1] / "index.html", 1000)
    page.emulate_media(media="print")
    before = page.evaluate(  # at the width of an A4 sheet within its margins
        "() => { document.body.style.width = '190mm';"
        "return document.querySelector('.glance').getBoundingClientRect().top; }"
    )
    assert before < 297 * 96 / 25.4
    page.context.close()
