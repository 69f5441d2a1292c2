"""The pages in a real Chromium: quiet, narrow enough, live, and usable from the keyboard."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect

from sootsayer import clock
from sootsayer.model import Batch, Changes
from sootsayer.store.archive import Archive
from sootsayer_web.limits import Limits
from web_serving import WEB, serving
from web_story import Story, alert, health, readings, tell, verdict

PAGES = ["/", "/alerts", "/alerts/1", "/alerts/2", "/logger"]
WIDTHS = [390, 1280]
WAIT_MS = 10_000
FIRST_PAGE_BYTES = 150_000


@pytest.fixture(scope="module")
def address(story: Story, vendor: dict[str, Any], quick: Limits) -> Iterator[str]:
    with serving(story.path, quick) as served:
        yield served


@pytest.fixture
def empty_address(tmp_path: Path, vendor: dict[str, Any], quick: Limits) -> Iterator[str]:
    with serving(tmp_path / "archive.db", quick) as served:
        yield served


class Visit:
    """One page in a browser window of its own, and everything it did that it should not."""

    def __init__(self, page: Page, address: str) -> None:
        self.page, self.address = page, address
        self.complaints: list[str] = []
        own = urlsplit(address).netloc
        page.on("console", lambda m: m.type in ("error", "warning") and self._note(m.text))
        page.on("pageerror", lambda error: self._note(str(error)))
        page.on(
            "request",
            lambda r: urlsplit(r.url).netloc != own and self._note(f"asks elsewhere: {r.url}"),
        )

    def _note(self, complaint: str) -> None:
        self.complaints.append(complaint)

    def go(self, path: str) -> Page:
        self.page.goto(self.address + path)
        self.page.wait_for_selector("main[data-state=live]")
        return self.page


@contextmanager
def visit(browser: Browser, address: str, width: int = 1280, **window: Any) -> Iterator[Visit]:
    context = browser.new_context(
        viewport={"width": width, "height": 844}, timezone_id="Europe/Berlin", **window
    )
    context.set_default_timeout(WAIT_MS)
    here = Visit(context.new_page(), address)
    yield here
    context.close()
    assert here.complaints == []


def drawn(page: Page, selector: str) -> None:
    page.wait_for_selector(f"{selector}[data-state=drawn] canvas")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", WIDTHS)
def test_quiet_and_narrow_enough(browser: Browser, address: str, width: int, scheme: Any) -> None:
    with visit(browser, address, width, color_scheme=scheme) as here:
        for path in PAGES:
            page = here.go(path)
            if path == "/":
                drawn(page, "#recent-plot")
            if path == "/alerts/1":
                drawn(page, "#evidence-plot")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
            background = page.evaluate("getComputedStyle(document.body).backgroundColor")
            assert background == ("rgb(244, 240, 230)" if scheme == "light" else "rgb(16, 19, 22)")


def test_the_first_page_is_light(browser: Browser, address: str) -> None:
    """All that a first visit on a phone brings over the air, plot and live values included."""
    with visit(browser, address, 390) as here:
        page = here.go("/")
        drawn(page, "#recent-plot")
        size = page.evaluate(
            "performance.getEntries().reduce((sum, e) => sum + (e.transferSize ?? 0), 0)"
        )
        assert 50_000 < size <= FIRST_PAGE_BYTES


@pytest.mark.parametrize("width", WIDTHS)
def test_a_first_day_is_quiet_too(browser: Browser, empty_address: str, width: int) -> None:
    with visit(browser, empty_address, width) as here:
        for path in ("/", "/alerts", "/logger"):
            page = here.go(path)
            assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_text_survives_twice_its_size(browser: Browser, address: str) -> None:
    """WCAG 2.2, 1.4.4: 200 % without loss; at 1280 px that is a window of 640 px (1.4.10)."""
    with visit(browser, address, 640) as here:
        for path in PAGES:
            page = here.go(path)
            page.evaluate("document.documentElement.style.fontSize = '200%'")
            assert page.evaluate("document.documentElement.scrollWidth") <= 640, path


def test_no_rule_of_axe_is_broken(browser: Browser, address: str, vendor: dict[str, Any]) -> None:
    """Judged by axe-core, the accessibility checker, with its rules for WCAG 2.2 A and AA."""
    script = WEB / "node_modules" / "axe-core" / "axe.min.js"
    if not script.is_file():
        vendor["npm_ci"]()
    source = script.read_text(encoding="utf-8")
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    looked_at = {"light": [*PAGES, "/alerts?link=permit", "/nothing"], "dark": ["/", "/alerts/1"]}
    for scheme, paths in looked_at.items():
        with visit(browser, address, 390, color_scheme=scheme, bypass_csp=True) as here:
            for path in paths:
                here.page.goto(address + path)
                here.page.evaluate(source)
                found = here.page.evaluate(
                    "tags => axe.run({runOnly: {type: 'tag', values: tags}})", tags
                )
                broken = [
                    f"{rule['id']}: {node['html'][:120]}"
                    for rule in found["violations"]
                    for node in rule["nodes"]
                ]
                assert broken == [], path
                assert len(found["passes"]) > 10
            here.complaints = [c for c in here.complaints if "404" not in c]


def test_an_alert_appears_while_the_page_is_open(
    browser: Browser, tmp_path: Path, serve_on: Callable[..., str]
) -> None:
    archive, story = tell(tmp_path / "archive.db", minutes=12)
    with archive, visit(browser, serve_on(story.path)) as here:
        page = here.go("/")
        drawn(page, "#recent-plot")
        page.evaluate("window.untouched = true")
        expect(page.locator("h1")).to_have_text("The valve moves, but the gas does not follow.")
        now_ms = clock.wall_ms()
        fresh = alert(now_ms - 60_000, now_ms, rule="M2", title="The valve does not shut")
        told = verdict(now_ms, (fresh,), sentence="The valve does not shut at idle.")
        archive.append(Batch(now_ms, readings(story.now_ms, now_ms + 4000)))
        archive.apply(Changes(alerts=(fresh,), verdict=told))
        archive.put_state("health", health(now_ms + 4000))
        before = float(page.evaluate("+(document.getElementById('recent-plot').dataset.end ?? 0)"))
        archive.commit()
        expect(page.locator("h1")).to_have_text("The valve does not shut at idle.")
        expect(page.locator("table.rows")).to_contain_text("The valve does not shut")
        page.wait_for_function(
            "was => +document.getElementById('recent-plot').dataset.end > was", arg=before
        )
        expect(page.locator("[data-part=sentence]")).to_have_attribute("aria-live", "polite")
        assert page.evaluate("window.untouched"), "the page was reloaded"


def test_the_first_readings_draw_themselves(
    browser: Browser, tmp_path: Path, serve_on: Callable[..., str], quick: Limits
) -> None:
    path = tmp_path / "archive.db"
    with visit(browser, serve_on(path)) as here:
        page = here.go("/")
        expect(page.locator("h1")).to_have_text("Nothing can be said yet.")
        archive, _ = tell(path, minutes=12)
        with archive:
            drawn(page, "#recent-plot")
            expect(page.locator("h1")).to_have_text("The valve moves, but the gas does not follow.")


def test_a_recorder_that_stops_is_said_without_reload(
    browser: Browser, tmp_path: Path, serve_on: Callable[..., str], quick: Limits
) -> None:
    archive, story = tell(tmp_path / "archive.db", minutes=12)
    impatient = replace(quick, recorder_silent_s=1.5, readings_silent_s=60)
    with archive, visit(browser, serve_on(story.path, impatient)) as here:
        page = here.go("/")
        expect(page.locator("[data-part=watched] .notice")).to_contain_text(
            "The recorder has written nothing new since today"
        )
        archive.put_state("health", health(clock.wall_ms()))
        archive.commit()
        expect(page.locator("[data-part=watched] .notice")).to_have_count(0)


def test_a_lost_dashboard_is_said(
    browser: Browser, story: Story, vendor: dict[str, Any], quick: Limits
) -> None:
    with serving(story.path, quick) as served:
        context = browser.new_context()
        page = context.new_page()
        page.goto(served)
        page.wait_for_selector("main[data-state=live]")
    expect(page.locator("#lost")).to_contain_text("Not live since", timeout=WAIT_MS)
    context.close()


def test_times_are_shown_in_the_readers_zone(browser: Browser, address: str) -> None:
    with visit(browser, address) as here:
        page = here.go("/alerts")
        expect(page.locator("#zone")).to_have_text("Europe/Berlin")
        time = page.locator("td time").first
        moment = time.get_attribute("datetime")
        shown = page.evaluate(
            "m => new Date(m).toLocaleTimeString('en-GB', {hour: '2-digit', minute: '2-digit'})",
            moment,
        )
        expect(time).to_contain_text(shown)


def test_everything_can_be_read_without_a_script(browser: Browser, address: str) -> None:
    with visit(browser, address, java_script_enabled=False) as here:
        here.page.goto(address + "/alerts/1")
        expect(here.page.locator("time").first).to_contain_text("UTC")
        here.page.locator("details.values summary").click()
        expect(here.page.locator("table.figures")).to_be_visible()
        here.page.get_by_role("link", name="Previous").click()
        expect(here.page.locator("#evidence")).to_contain_text("Chance")


def test_the_keyboard_reaches_everything(browser: Browser, address: str) -> None:
    with visit(browser, address) as here:
        for path in PAGES:
            page = here.go(path)
            wanted = page.evaluate(
                "[...document.querySelectorAll('a[href], button, select, summary')]"
                ".filter(e => e.checkVisibility()).length"
            )
            page.evaluate("document.activeElement.blur()")
            reached: set[str] = set()
            for _ in range(wanted + 12):
                page.keyboard.press("Tab")
                label = page.evaluate(
                    "(() => { const e = document.activeElement;"
                    " if (e === document.body) return '';"
                    " if (!e.matches('a[href], button, select, summary')) return '';"
                    " const s = getComputedStyle(e); const shown = s.outlineStyle !== 'none' &&"
                    " parseFloat(s.outlineWidth) >= 2; e.dataset.reached = 1;"
                    " return shown ? 'ok' : `no focus ring: ${e.outerHTML.slice(0, 80)}`; })()"
                )
                reached.add(label)
            missed = page.evaluate(
                "[...document.querySelectorAll('a[href], button, select, summary')]"
                ".filter(e => e.checkVisibility() && !e.dataset.reached)"
                ".map(e => e.outerHTML.slice(0, 80))"
            )
            assert missed == [], path
            assert reached <= {"ok", ""}, path


def test_the_skip_link_is_first_and_leads_to_the_page(browser: Browser, address: str) -> None:
    with visit(browser, address) as here:
        page = here.go("/")
        page.keyboard.press("Tab")
        expect(page.locator(".skip")).to_be_focused()
        expect(page.locator(".skip")).to_be_in_viewport()
        page.keyboard.press("Enter")
        expect(page.locator("#main")).to_be_focused()


def test_the_word_about_driving_is_said_once(browser: Browser, address: str) -> None:
    with visit(browser, address, 390) as here:
        page = here.go("/")
        expect(page.locator("#driving")).to_contain_text("Do not use while driving")
        page.get_by_role("button", name="Understood").click()
        expect(page.locator("#driving")).to_be_hidden()
        expect(here.go("/logger").locator("#driving")).to_be_hidden()


def test_open_details_and_focus_outlast_a_renewal(
    browser: Browser, tmp_path: Path, serve_on: Callable[..., str]
) -> None:
    archive, story = tell(tmp_path / "archive.db", minutes=12)
    with archive, visit(browser, serve_on(story.path)) as here:
        page = here.go("/")
        page.locator("[data-part=recent] summary").click()
        page.get_by_role("link", name="All alerts").focus()
        old = page.locator("[data-part=newest]").get_attribute("data-mark")
        now_ms = clock.wall_ms()
        fresh = alert(now_ms - 60_000, now_ms, rule="M2", title="The valve does not shut")
        archive.append(Batch(now_ms, readings(story.now_ms, now_ms)))
        archive.apply(Changes(alerts=(fresh,)))
        archive.commit()
        expect(page.locator("[data-part=newest]")).not_to_have_attribute("data-mark", str(old))
        expect(page.get_by_role("link", name="All alerts")).to_be_focused()
        expect(page.locator("[data-part=recent] details")).to_have_attribute("open", "")


def test_the_plot_tells_its_values_at_the_cursor(browser: Browser, address: str) -> None:
    with visit(browser, address) as here:
        page = here.go("/alerts/1")
        drawn(page, "#evidence-plot")
        page.locator("#evidence-plot .u-over").first.hover()
        said = page.locator(".plot-head .at")
        expect(said.first).to_contain_text("%")
        expect(said.nth(1)).to_contain_text("kPa")  # all plots share one cursor


def test_it_prints_light_and_without_what_paper_cannot_do(browser: Browser, address: str) -> None:
    with visit(browser, address, color_scheme="dark") as here:
        page = here.go("/")
        page.emulate_media(media="print")
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == (
            "rgb(255, 255, 255)"
        )
        expect(page.get_by_role("navigation")).to_be_hidden()
        expect(page.locator("h1")).to_be_visible()


def test_archive_is_never_written_by_the_dashboard(
    browser: Browser, tmp_path: Path, serve_on: Callable[..., str]
) -> None:
    archive, story = tell(tmp_path / "archive.db", minutes=12)
    archive.close()
    before = story.path.read_bytes()
    with visit(browser, serve_on(story.path)) as here:
        for path in PAGES:
            here.go(path)
    assert story.path.read_bytes() == before
    assert Archive.open(story.path).close() is None
