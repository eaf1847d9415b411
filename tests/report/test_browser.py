"""The page in a real browser: drawn, quiet, reached by the keyboard, printed."""

import base64
import time

import pytest

from loopwarden_report.page import drive_page
from report.browser import Browser, found

pytestmark = pytest.mark.skipif(
    found() is None, reason="no Chromium is installed here (Debian: apt-get install chromium)"
)
TAB, RIGHT, HOME = 9, 39, 36


@pytest.fixture(scope="module")
def page(welded, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(drive_page(welded[0].history), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser(page, tmp_path_factory):
    try:
        browser = Browser(tmp_path_factory.mktemp("profile"))
    except OSError as error:  # it ended at once, or does not answer: no such machine draws anything
        pytest.skip(f"Chromium is installed and does not start here: {error}")
    browser.open(page)
    yield browser
    browser.close()


def wait_for(browser, expression):
    until_s = time.monotonic() + 20
    while not browser.ask(expression):
        assert time.monotonic() < until_s, expression
        time.sleep(0.05)


def test_every_plot_is_drawn_and_nothing_is_complained_of(browser):
    count = browser.ask("document.querySelectorAll('.plot').length")
    assert count >= 14
    assert browser.ask("document.documentElement.dataset.plots") == f"drawn {count} of {count}"
    assert browser.ask("document.documentElement.dataset.errors") == ""
    assert browser.console == []


def test_every_trace_that_has_a_reading_is_on_the_page(browser):
    """Lines as paths, strips as bars: as many as the data say."""
    empty = browser.ask(
        """Array.from(document.querySelectorAll('.plot')).flatMap((plot) => plot._fullData
        .filter((trace) => trace.type === 'bar' ? trace.x.length : Array.from(trace.y).some(Number.isFinite) ||
          typeof trace.y[0] === 'string')
        .filter((trace) => !plot.querySelector(trace.type === 'bar' ? '.barlayer .point path'
          : '.scatterlayer .trace' + trace.uid + ' path'))
        .map((trace) => plot.id + ': ' + trace.name))"""
    )
    assert empty == []


def test_it_asks_for_nothing_but_itself(browser, page):
    assert {url for url in browser.requests if not url.startswith(("data:", "blob:"))} == {page.resolve().as_uri()}


def test_the_tab_key_reaches_contents_buttons_tables_and_every_plot(browser):
    """From the top of the page on; the first stop leads past the contents."""
    browser.ask("document.activeElement.blur(); window.scrollTo(0, 0)")
    reached = []
    for _ in range(250):
        browser.press("Tab", TAB)
        reached.append(
            browser.ask(
                "((e) => e.id || e.getAttribute('href') || e.getAttribute('data-act') ||"
                " (e.dataset.at ? 'show' : '') || e.getAttribute('aria-label') || e.tagName)(document.activeElement)"
            )
        )
        if reached[-1] == "BODY":
            break
    assert reached[0] == "#main"
    plots = browser.ask("Array.from(document.querySelectorAll('.plot')).map((plot) => plot.id)")
    assert [name for name in reached if name in plots] == plots
    assert {"whole", "in", "out", "earlier", "later", "show", "#codes", "#sources"} <= set(reached)
    assert "Trouble codes in the order in which they came" in reached


def test_what_has_the_focus_is_seen(browser):
    browser.ask("document.getElementById('isolation').focus()")
    browser.press("ArrowRight", RIGHT)  # a key makes the focus visible
    assert browser.ask("getComputedStyle(document.getElementById('isolation')).outlineStyle") == "solid"


def test_the_arrow_keys_move_a_line_and_say_what_it_reads(browser):
    browser.ask("document.getElementById('voltages').focus()")
    browser.press("Home", HOME)
    browser.press("Home", HOME)
    said = browser.ask("document.getElementById('voltages').nextElementSibling.textContent")
    assert said.startswith("At 0.02 s: pack no reading; bus no reading")  # no power yet
    for _ in range(10):
        browser.press("ArrowRight", RIGHT)
    said = browser.ask("document.getElementById('voltages').nextElementSibling.textContent")
    assert said.startswith("At 7.02 s: pack 389.9; bus 390 (V)")
    browser.ask("document.getElementById('happened').focus()")
    browser.press("ArrowRight", RIGHT)
    assert "phase" in browser.ask("document.getElementById('happened').nextElementSibling.textContent")


def test_zooming_moves_all_plots_over_time_together(browser):
    browser.ask("document.getElementById('speed').focus()")
    browser.press("+")
    wait_for(browser, "document.querySelector('.range').textContent.includes('17.52 s')")
    ranges = browser.ask(
        "Array.from(document.querySelectorAll('.plot[data-follows=yes]'))"
        ".map((plot) => plot.layout.xaxis.range.map((x) => x.toFixed(1)).join())"
    )
    assert len(ranges) >= 10
    assert set(ranges) == {"17.5,52.5"}
    browser.press("0")
    wait_for(browser, "document.querySelector('.range').textContent.includes('0.02 s')")


def test_a_code_of_the_table_is_shown_in_the_plots_by_its_button(browser):
    browser.ask("document.querySelectorAll('button[data-at]')[1].focus()")
    browser.press("Enter", 13, "\r")
    wait_for(browser, "document.activeElement.id === 'happened'")
    said = browser.ask("document.getElementById('happened').nextElementSibling.textContent")
    assert said.startswith("At 35.1 s:")
    assert "Negative welded (P0AA4-00)" in said


def test_hovering_over_a_code_tells_its_why(browser):
    browser.ask("document.querySelector('button[data-act=whole]').click()")
    browser.ask(
        "(() => { const plot = document.getElementById('voltages');"
        " const k = plot.data.findIndex((trace) => trace.name.startsWith('codes'));"
        " Plotly.Fx.hover(plot, [{ curveNumber: k, pointNumber: 1 }], ['xy2']); })()"
    )
    wait_for(browser, "document.querySelector('#voltages .hoverlayer').textContent.includes('P0AA4-00')")


def test_nothing_is_wider_than_a4_or_the_browser_shrinks_the_whole_page(browser):
    browser.call("Emulation.setEmulatedMedia", media="print")
    browser.call("Emulation.setDeviceMetricsOverride", width=703, height=1000, deviceScaleFactor=1, mobile=False)
    wait_for(browser, "document.body.clientWidth <= 703")
    try:
        assert browser.ask("document.documentElement.scrollWidth") <= 703
    finally:
        browser.call("Emulation.setEmulatedMedia", media="")
        browser.call("Emulation.clearDeviceMetricsOverride")


def test_it_prints_on_a4_with_every_plot_within_the_margins(browser, tmp_path):
    browser.ask(
        "window.printed = []; window.addEventListener('beforeprint', () => {"
        " window.printed = Array.from(document.querySelectorAll('.plot')).map((plot) => plot._fullLayout.width); })"
    )
    pdf = base64.b64decode(browser.call("Page.printToPDF", preferCSSPageSize=True)["data"])
    assert pdf.startswith(b"%PDF")
    widths = browser.ask("window.printed")
    wide_px = (210 - 2 * 12) / 25.4 * 96  # A4 less the margins of the style sheet, CSS pixels
    assert len(widths) >= 14
    assert max(widths) <= wide_px
    assert min(widths) > 300
