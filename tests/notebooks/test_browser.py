"""Charts drawn in a real browser with the network off: exported pages, JupyterLab, the article."""

import json
import secrets
import socket
import subprocess
import sys
import time

import nbformat
import pytest
from sight import words_and_contrast

from woodlab.charts.theme import LIVE

HOSTILE = "</script><b>x</b>"

pytestmark = pytest.mark.browser


@pytest.fixture
def page(browser):
    """A page without a network that keeps what it asked for and what went wrong."""
    context = browser.new_context(viewport={"width": 1100, "height": 1200})
    context.set_offline(True)
    opened = context.new_page()
    opened.asked, opened.faults = [], []
    opened.on("request", lambda request: opened.asked.append(request.url))
    opened.on("pageerror", lambda error: opened.faults.append(str(error)))
    yield opened
    context.close()


@pytest.fixture(scope="module")
def notebook(tmp_path_factory):
    """A notebook of three cells: the renderer, a chart of points, a chart of a line."""
    chart = (
        "themed(alt.Chart(frame).mark_{mark}().encode(x='days', y='mass_g', "
        "tooltip=['piece', 'days', 'mass_g']), alt={alt!r})"
    )
    cells = [
        "import woodlab as wl\nwl.charts.use_charts()",
        "import altair as alt, pandas as pd\n"
        "from woodlab.charts.theme import themed\n"
        "frame = pd.DataFrame({'days': [0, 10, 20], 'mass_g': [900.0, 700, 600],\n"
        f"                      'piece': [{HOSTILE!r}, 'B2', 'C3']}})\n"
        + chart.format(mark="point", alt='Three "weights" <b>falling</b>'),
        chart.format(mark="line", alt="The same as a line"),
    ]
    made = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
    made.metadata["kernelspec"] = {
        "name": "python3", "display_name": "Python 3", "language": "python",
    }  # fmt: skip
    path = tmp_path_factory.mktemp("browser") / "charts.ipynb"
    nbformat.write(made, path)
    return path


@pytest.fixture(scope="module")
def executed(notebook):
    import papermill

    path = notebook.with_name("executed.ipynb")
    papermill.execute_notebook(str(notebook), str(path), progress_bar=False)
    return path


@pytest.fixture(scope="module")
def exported(executed):
    """The executed notebook as JupyterLab exports it."""
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(
        embed_images=True, mathjax_url="", require_js_url="", jquery_url="",
        html_manager_semver_range="", widget_renderer_url="",
        raw_template="{% extends 'lab/index.html.j2' %}"
        "{% block html_head_js_mermaidjs %}{% endblock %}",  # it is loaded from the network
    )  # fmt: skip
    text, _ = exporter.from_filename(str(executed))
    page = executed.with_name("exported.html")
    page.write_text(text, encoding="utf-8")
    return page


@pytest.fixture(scope="module")
def season_page(executed):
    """The executed notebook as the season command writes it, with a wide table and long marks."""
    import pandas as pd

    from woodlab.pages.notebook import write_page
    from woodlab.show_table import table

    frame = pd.DataFrame(
        {name: [f"{name} of bowl {k}" for k in range(40)] for name in
         ("piece", "moisture", "chance", "dry_on", "wood", "seal", "place")}
    )  # fmt: skip
    shown = nbformat.v4.new_code_cell("ready")
    shown.outputs = [
        nbformat.v4.new_output("execute_result", {"text/html": table(frame)._repr_html_()},
                               execution_count=1)
    ]  # fmt: skip
    made = nbformat.read(executed, as_version=4)
    made.cells = [nbformat.v4.new_markdown_cell("# Which are ready?"), shown, *made.cells]
    path = executed.with_name("3_ready.ipynb")
    nbformat.write(made, path)
    return write_page(path, [("3_ready.html", "Ready"), ("4_sealing.html", "Sealing")])


@pytest.mark.parametrize("width", [390, 1280])
def test_a_page_of_a_season_fits_its_window_and_asks_for_nothing(browser, season_page, width):
    context = browser.new_context(viewport={"width": width, "height": 844})
    context.set_offline(True)
    page = context.new_page()
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(season_page.as_uri())
    assert page.evaluate(
        "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
    )
    assert page.locator("script").count() == 0
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert page.locator("details[open]").count() == 0  # code is folded
    top = page.locator("#answer").bounding_box()["y"]
    assert top < 300
    pictures = page.locator(".wl-pic img")
    assert pictures.count() == 2
    assert pictures.first.evaluate("image => image.naturalWidth") > 250
    assert page.locator("th[scope=col]").count() == 7
    context.close()


def test_a_page_of_a_season_is_light_dark_and_prints_dark_on_white(browser, season_page):
    def shade(page, selector, what):
        colour = page.locator(selector).first.evaluate(f"e => getComputedStyle(e).{what}")
        return sum(int(part) for part in colour.strip("rgba()").split(",")[:3]) / 3

    for scheme, light_page in (("light", True), ("dark", False)):
        context = browser.new_context(color_scheme=scheme)
        page = context.new_page()
        page.goto(season_page.as_uri())
        paper, ink = shade(page, "body", "backgroundColor"), shade(page, "td", "color")
        assert (paper > 200) is light_page
        assert abs(paper - ink) > 150
        page.emulate_media(media="print")
        assert shade(page, "body", "backgroundColor") > 250
        assert shade(page, "td", "color") < 60
        assert page.locator("details:visible, nav:visible").count() == 0
        context.close()


def test_an_executed_notebook_is_valid_and_light(executed):
    notebook = nbformat.read(executed, as_version=4)
    nbformat.validate(notebook)
    assert not notebook.cells[0].outputs  # no scripts: JupyterLab has its own
    for cell in notebook.cells[1:]:
        data = cell.outputs[0]["data"]
        assert {LIVE, "text/markdown", "text/plain"} == set(data)
        assert len(json.dumps(cell.outputs)) < 100_000
    assert notebook.cells[1].outputs[0]["data"]["text/plain"] == 'Three "weights" <b>falling</b>'


def test_an_exported_page_shows_its_charts_with_their_words_and_no_network(page, exported):
    page.goto(exported.as_uri())
    pictures = page.locator("img[src^=data]")
    assert pictures.count() == 2
    assert pictures.first.get_attribute("alt") == 'Three "weights" <b>falling</b>'
    box = pictures.first.bounding_box()
    assert box["width"] > 300
    assert box["height"] > 200
    assert page.asked == [exported.as_uri()]
    assert page.faults == []
    page.emulate_media(media="print")
    assert page.locator("img[src^=data]:visible").count() == 2


@pytest.fixture(scope="module")
def ready_page(tmp_path_factory):
    """A ready list of four pieces as a page of its own."""
    import pandas as pd

    import woodlab as wl

    day = pd.Timestamp("2026-06-20")
    forecast = pd.DataFrame(
        {"piece": ["P2", "P10", HOSTILE, "P1"], "species": "red oak", "seal": "none",
         "place": [None, "loft", "loft", "shed"], "moisture_now_pct": [9.5, 21.0, 11.0, 14.0],
         "p_ready_now": [1.0, 0.0, 0.6, 0.3], "target_moisture_pct": 12.0, "level": 0.9,
         "ready_on": [day, pd.NaT, day, day + pd.Timedelta(days=40)], "as_of": day,
         "earliest_on": day, "latest_on": pd.NaT, "reason": "as weighed"}
    )  # fmt: skip
    path = tmp_path_factory.mktemp("list") / "list.html"
    page = wl.charts.ready_list(forecast)._repr_html_()
    path.write_text("<!doctype html><meta charset=utf-8><title>List</title>" + page, "utf-8")
    return path


def rows_of(page, column):
    return page.locator(f".woodlab-list tbody tr:visible td:nth-child({column})").all_inner_texts()


def test_a_ready_list_is_sorted_by_its_headings(page, ready_page):
    page.goto(ready_page.as_uri())
    assert rows_of(page, 1) == ["P2", HOSTILE, "P1", "P10"]  # the likeliest first
    page.get_by_role("button", name="Piece").click()
    assert rows_of(page, 1)[1:] == ["P1", "P2", "P10"]  # as numbers within names
    page.get_by_role("button", name="Moisture now [%]").click()
    assert rows_of(page, 5) == ["9.5", "11.0", "14.0", "21.0"]
    page.get_by_role("button", name="Moisture now [%]").click()
    assert rows_of(page, 5) == ["21.0", "14.0", "11.0", "9.5"]
    heads = page.locator(".woodlab-list th[aria-sort]")
    assert heads.count() == 1
    assert heads.get_attribute("aria-sort") == "descending"
    for _ in range(2):  # a piece without a date is last either way
        page.get_by_role("button", name="First ready on").click()
        assert rows_of(page, 1)[-1] == "P10"
    page.get_by_role("searchbox").fill("shed")
    assert rows_of(page, 1) == ["P1"]
    page.get_by_role("searchbox").fill("loft oak 0.60")  # each of the words, in any cell
    assert rows_of(page, 1) == [HOSTILE]
    assert page.locator(".woodlab-list output").inner_text().strip() == "1 of 4"
    page.get_by_role("searchbox").fill("")
    assert len(rows_of(page, 1)) == 4
    assert page.locator(".woodlab-list td b").count() == 0  # a name is never markup
    assert page.asked == [ready_page.as_uri()]
    assert page.faults == []


def test_a_ready_list_is_a_plain_table_where_scripts_do_not_run(browser, ready_page):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(ready_page.as_uri())
    assert rows_of(page, 1) == ["P2", HOSTILE, "P1", "P10"]
    assert page.locator(".woodlab-list button, .woodlab-list input").count() == 0
    assert page.locator(".woodlab-list th").all_inner_texts()[4] == "Moisture now [%]"
    context.close()


@pytest.fixture(scope="module")
def article(tmp_path_factory):
    """A small article as HTML: a table, figures, a box, long names."""
    import pandas as pd

    import woodlab as wl

    days = [0, 7, 14, 28, 56, 84, 112, 140]
    pieces = pd.DataFrame(
        {"piece": ["A1", "A2", "B1", "B2"], "species": "sugar maple", "turned_on": "2026-01-05",
         "seal": ["none", "wax all over, two coats, and a paper bag"] * 2, "wall_mm": 25.0}
    )  # fmt: skip
    rows = [
        {"piece": piece, "on": pd.Timestamp("2026-01-05") + pd.Timedelta(days=day),
         "mass_g": round(900 * (1 + 0.6 * 0.5 ** (day / half)))}
        for piece, half in zip(pieces["piece"], (12, 40, 15, 50), strict=True)
        for day in days
    ]  # fmt: skip
    looks = pd.DataFrame(
        {"piece": ["A1", "A2", "B1", "B2"], "on": "2026-03-01", "crack_mm": [9, 0, 0, 0]}
    )
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=pd.DataFrame(rows), looks=looks)
    fits = wl.fit_drying(book, law="slab", draws=40)
    folder = wl.write_article(fits, tmp_path_factory.mktemp("a") / "article", ("html",))
    return folder / "article.html"


@pytest.mark.parametrize("width", [360, 800, 1400])
def test_the_article_s_page_fits_any_window_and_asks_for_nothing(browser, article, width):
    context = browser.new_context(viewport={"width": width, "height": 900})
    context.set_offline(True)
    page = context.new_page()
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(article.as_uri())
    assert page.evaluate(
        "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
    )
    assert page.locator("figure img").count() >= 1
    for picture in page.locator("figure img").all():
        box = picture.bounding_box()
        assert box["width"] > 200
        assert box["x"] >= 0
        frame = picture.locator("xpath=..").bounding_box()  # on a phone the figure slides in it
        assert frame["x"] + frame["width"] <= width
        assert width < 500 or box["x"] + box["width"] <= width
        assert picture.evaluate(
            "image => image.src.startsWith('data:image/svg')"
        )  # sharp at any size
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    context.close()


def test_the_article_s_page_is_light_dark_and_prints_dark_on_white(browser, article):
    def shade(page, selector, what):
        colour = page.locator(selector).first.evaluate(f"e => getComputedStyle(e).{what}")
        return sum(int(part) for part in colour.strip("rgba()").split(",")[:3]) / 3

    for scheme, light_page in (("light", True), ("dark", False)):
        context = browser.new_context(color_scheme=scheme)
        page = context.new_page()
        page.goto(article.as_uri())
        paper, ink = shade(page, "html", "backgroundColor"), shade(page, "p", "color")
        assert (paper > 200) is light_page
        assert abs(paper - ink) > 150
        assert shade(page, "figure img", "backgroundColor") > 250  # charts stay on white
        page.emulate_media(media="print")
        assert shade(page, "html", "backgroundColor") > 250
        assert shade(page, "p", "color") < 60
        context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("which", ["article", "season_page"])
def test_all_words_have_contrast_as_drawn(browser, request, which, scheme):
    context = browser.new_context(color_scheme=scheme)
    page = context.new_page()
    page.goto(request.getfixturevalue(which).as_uri())
    pairs = words_and_contrast(page)
    assert len(pairs) > 20
    assert [pair for pair in pairs if pair[0] < 4.5] == []
    context.close()


@pytest.fixture(scope="module")
def lab(notebook):
    """A JupyterLab server of its own, on this machine only."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    token = secrets.token_hex(16)
    log = notebook.with_name("server.log").open("w")
    server = subprocess.Popen(
        [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", f"--port={port}",
         f"--IdentityProvider.token={token}", "--allow-root", "--LabApp.news_url=",
         "--LabApp.expose_app_in_browser=True", f"--ServerApp.root_dir={notebook.parent}"],
        stdout=log, stderr=subprocess.STDOUT,
    )  # fmt: skip
    try:
        for _ in range(300):
            assert server.poll() is None, notebook.with_name("server.log").read_text()
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                time.sleep(0.2)
        yield f"http://127.0.0.1:{port}", token
    finally:
        server.terminate()
        server.wait(timeout=30)
        log.close()


def wait_for_kernel(page):
    """Until the notebook is open, its kernel idle, and the commands for it are there."""
    page.wait_for_function("!!(window.jupyterapp && window.jupyterapp.shell)", timeout=90_000)
    page.evaluate(
        """async () => {
          const app = window.jupyterapp;
          const ready = () => {
            const open = app.shell.currentWidget;
            const session = open && open.sessionContext && open.sessionContext.session;
            return app.commands.hasCommand('notebook:run-all-cells') && open && open.context
              && open.context.isReady && session && session.kernel
              && session.kernel.status === 'idle';
          };
          for (let i = 0; i < 900 && !ready(); i += 1) {
            await new Promise((resolve) => setTimeout(resolve, 100));
          }
          if (!ready()) { throw new Error('the notebook did not become ready'); }
        }"""
    )


def test_a_notebook_in_jupyterlab_draws_and_redraws_its_charts(browser, lab, notebook):
    address, token = lab
    context = browser.new_context(viewport={"width": 1100, "height": 1400})
    page = context.new_page()
    asked_outside = []

    def only_here(route):
        if route.request.url.startswith(address):
            route.continue_()
        else:
            asked_outside.append(route.request.url)
            route.abort()

    page.route("**/*", only_here)
    page.goto(f"{address}/lab/tree/{notebook.name}?token={token}")
    wait_for_kernel(page)
    page.evaluate("window.jupyterapp.commands.execute('notebook:run-all-cells')")
    page.wait_for_function("document.querySelectorAll('svg.marks').length === 2", timeout=90_000)
    page.locator("svg.marks path[aria-roledescription=point]").first.hover()
    tip = page.locator("#vg-tooltip-element")
    tip.wait_for(state="visible")
    assert HOSTILE in tip.inner_text()  # as characters: no element came of it
    assert "900" in tip.inner_text()
    assert tip.locator("b").count() == 0

    # The hard case: outputs cleared, page loaded anew, one chart's cell run alone.
    page.evaluate("window.jupyterapp.commands.execute('editmenu:clear-all')")
    page.evaluate("window.jupyterapp.commands.execute('docmanager:save')")
    page.wait_for_function("!window.jupyterapp.shell.currentWidget.context.model.dirty")
    page.reload()
    wait_for_kernel(page)
    assert page.locator("svg.marks").count() == 0
    page.locator(".jp-Notebook .jp-CodeCell").nth(2).locator(".cm-content").click()
    page.keyboard.press("Shift+Enter")
    page.wait_for_selector("svg.marks", timeout=60_000)

    assert asked_outside == []
    context.close()
