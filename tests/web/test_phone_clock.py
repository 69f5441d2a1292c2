"""The phone's clock through page, dashboard, socket and recorder, and who may not set it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from playwright.sync_api import Browser, expect
from werkzeug.test import TestResponse

from sootsayer import clock
from sootsayer.control import ControlServer
from sootsayer.store.archive import Archive
from sootsayer_web import create_app
from sootsayer_web.guard import TOKEN_HEADER
from sootsayer_web.moments import parse_moment
from web_recorder import STALE_MS, Beside, drive_under_a_stale_clock, recording

ORIGIN = "http://192.168.4.1"
NEAR_MS = 15_000  # what a busy machine may take between two looks at the clock
WAIT_MS = 15_000


@pytest.fixture
def beside(tmp_path: Path) -> Iterator[Beside]:
    with recording(tmp_path) as running:
        yield running


@pytest.fixture(scope="module")
def stale(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive whose recorder is not there, for what never reaches one."""
    path = tmp_path_factory.mktemp("stale") / "archive.db"
    drive_under_a_stale_clock(path)
    return path


@pytest.fixture
def heard(stale: Path) -> Iterator[list[Mapping[str, Any]]]:
    """What arrives at the real socket beside it; the answer is that nothing was kept."""
    requests: list[Mapping[str, Any]] = []

    def handle(request: Mapping[str, Any]) -> dict[str, Any]:
        requests.append(request)
        return {"kept": False, "ahead_ms": 7}

    server = ControlServer(stale.parent / "control.sock", handle)
    server.start()
    yield requests
    server.stop()


def asking(path: Path) -> tuple[FlaskClient, dict[str, str]]:
    """A client, and the headers of a browser that asks from a page of ours."""
    app = create_app(path)
    token = app.extensions["sootsayer"].token
    return app.test_client(), {
        "Origin": ORIGIN,
        "Sec-Fetch-Site": "same-origin",
        TOKEN_HEADER: token,
    }


def set_clock(
    client: FlaskClient, headers: dict[str, str], said: object, origin: str = ORIGIN
) -> TestResponse:
    return client.post("/clock", data={"wall_ms": str(said)}, headers=headers, base_url=origin)


def trip_start_ms(client: FlaskClient) -> int:
    (trip,) = client.get("/api/v1/trips").get_json()["trips"]
    return parse_moment(trip["start"], "start")


def test_a_phone_sets_the_clock_and_trips_are_shown_right(beside: Beside) -> None:
    client, ours = asking(beside.archive)
    seen = client.get("/api/v1/clock").get_json()
    assert (seen["trusted"], seen["source"], seen["may_set"]) == (False, None, True)
    assert abs(parse_moment(seen["now"], "now") - clock.wall_ms() + STALE_MS) < NEAR_MS
    assert abs(trip_start_ms(client) - beside.trip_ms + STALE_MS) < NEAR_MS

    came = set_clock(client, ours, clock.wall_ms())
    assert came.status_code == 200 and came.get_json()["kept"]
    assert abs(came.get_json()["ahead_s"] * 1000 - STALE_MS) < NEAR_MS

    seen = client.get("/api/v1/clock").get_json()
    assert (seen["trusted"], seen["source"], seen["may_set"]) == (True, "phone", True)
    assert abs(parse_moment(seen["now"], "now") - clock.wall_ms()) < NEAR_MS
    assert abs(trip_start_ms(client) - beside.trip_ms) < NEAR_MS
    again = set_clock(client, ours, clock.wall_ms()).get_json()
    assert again["kept"] and abs(again["ahead_s"] * 1000) < NEAR_MS


def test_a_time_server_is_not_overruled(tmp_path: Path) -> None:
    with recording(tmp_path, trusted=True) as beside:
        client, ours = asking(beside.archive)
        assert not client.get("/api/v1/clock").get_json()["may_set"]
        came = set_clock(client, ours, clock.wall_ms() + STALE_MS).get_json()
        assert not came["kept"]
        assert abs(trip_start_ms(client) - beside.trip_ms) < NEAR_MS


@pytest.mark.parametrize("said", ["", "noon", "5", "1e13"])
def test_what_no_phone_can_say_is_refused(beside: Beside, said: str) -> None:
    client, ours = asking(beside.archive)
    came = set_clock(client, ours, said)
    assert came.status_code == 503 and "wall_ms" in came.get_json()["error"]
    assert abs(trip_start_ms(client) - beside.trip_ms + STALE_MS) < NEAR_MS


def test_without_a_recorder_nothing_is_claimed(tmp_path: Path) -> None:
    drive_under_a_stale_clock(tmp_path / "archive.db")
    client, ours = asking(tmp_path / "archive.db")
    came = set_clock(client, ours, clock.wall_ms())
    assert came.status_code == 503 and "no recorder answers" in came.get_json()["error"]
    assert client.get("/api/v1/clock").get_json()["trusted"] is False


def test_what_was_heard_but_not_stored_is_not_claimed(tmp_path: Path) -> None:
    drive_under_a_stale_clock(tmp_path / "archive.db")
    server = ControlServer(tmp_path / "control.sock", lambda _: {"kept": True, "ahead_ms": 7})
    server.start()
    try:
        client, ours = asking(tmp_path / "archive.db")
        came = set_clock(client, ours, clock.wall_ms())
    finally:
        server.stop()
    assert came.status_code == 503 and "could not store it" in came.get_json()["error"]


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({TOKEN_HEADER: ""}, "reload"),
        ({TOKEN_HEADER: "x" * 32}, "reload"),
        ({"Origin": "http://elsewhere.example"}, "does not come from a page"),
        ({"Origin": "null"}, "does not come from a page"),
        ({"Origin": ""}, "does not come from a page"),
        ({"Origin": ORIGIN + ":8080"}, "does not come from a page"),
        ({"Sec-Fetch-Site": "cross-site"}, "does not come from a page"),
        ({"Sec-Fetch-Site": "same-site"}, "does not come from a page"),
        # A foreign name that was made to point at our address is its own origin.
        ({"Host": "car.example", "Origin": "http://car.example"}, "name from outside"),
        ({"Host": "1.2.3.4.car.example", "Origin": "http://1.2.3.4.car.example"}, "from outside"),
    ],
)
def test_no_other_page_may_ask(
    stale: Path, heard: list[Mapping[str, Any]], changed: dict[str, str], says: str
) -> None:
    client, ours = asking(stale)
    headers = ours | changed
    origin = f"http://{headers.pop('Host')}" if "Host" in headers else ORIGIN
    came = set_clock(client, headers, clock.wall_ms(), origin)
    assert came.status_code == 403 and says in came.get_json()["error"]
    assert heard == []


@pytest.mark.parametrize(
    "host", ["sootsayer.local", "pi", "localhost:8080", "[fe80::1]:8080", "10.0.0.7:8080"]
)
def test_names_that_only_this_network_has(
    stale: Path, heard: list[Mapping[str, Any]], host: str
) -> None:
    client, ours = asking(stale)
    origin = f"http://{host}"
    came = set_clock(client, ours | {"Origin": origin}, clock.wall_ms(), origin)
    assert came.status_code == 200 and [one["request"] for one in heard] == ["clock"]


def test_a_large_request_and_another_method_are_refused(
    stale: Path, heard: list[Mapping[str, Any]]
) -> None:
    client, ours = asking(stale)
    assert set_clock(client, ours, "1" * 5000).status_code == 413
    assert client.get("/clock").status_code == 405
    assert heard == []


# ---------------------------------------------------------------- in a browser


@pytest.mark.parametrize("path", ["/", "/logger"])
def test_the_button_on_a_phone(
    browser: Browser, serve_on: Callable[..., str], beside: Beside, path: str
) -> None:
    address = serve_on(beside.archive)
    context = browser.new_context(viewport={"width": 390, "height": 844}, timezone_id="UTC")
    context.set_default_timeout(WAIT_MS)
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda m: m.type in ("error", "warning") and complaints.append(m.text))
    page.goto(address + path)
    notice = page.locator("#clock")
    expect(notice).to_contain_text("The recorder's clock is not trusted.")
    expect(notice).to_contain_text("3 days apart")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390

    def trip_ms() -> int:
        trips: list[dict[str, Any]] = page.request.get(f"{address}/api/v1/trips").json()["trips"]
        return parse_moment(trips[0]["start"], "start")

    assert abs(trip_ms() - beside.trip_ms + STALE_MS) < NEAR_MS
    page.get_by_role("button", name="Use this phone's time").click()
    told = page.locator("#clock-told")
    expect(told).to_contain_text("is set by this phone. It was 3 days behind")
    expect(notice).to_be_hidden()
    assert abs(trip_ms() - beside.trip_ms) < NEAR_MS
    if path == "/logger":
        expect(page.locator("[data-part=logger]")).to_contain_text("The clock is trusted.")
        expect(page.get_by_role("row").filter(has_text="phone")).to_have_count(1)
    page.goto(f"{address}/alerts")
    raised = page.locator("table time").first.get_attribute("datetime")
    assert abs(parse_moment(raised or "", "first") - beside.trip_ms) < 2 * 60_000
    assert complaints == []
    context.close()


def test_a_refusal_is_shown_and_nothing_else(
    browser: Browser, serve_on: Callable[..., str], tmp_path: Path
) -> None:
    drive_under_a_stale_clock(tmp_path / "archive.db")
    address = serve_on(tmp_path / "archive.db")
    context = browser.new_context(viewport={"width": 390, "height": 844})
    context.set_default_timeout(WAIT_MS)
    page = context.new_page()
    page.goto(address)
    page.get_by_role("button", name="Use this phone's time").click()
    expect(page.locator("#clock-told")).to_contain_text("Nothing was changed: no recorder answers")
    expect(page.locator("#clock")).to_contain_text("The recorder's clock is not trusted.")
    context.close()


def test_a_phone_that_is_wrong_is_told_so(
    browser: Browser, serve_on: Callable[..., str], tmp_path: Path
) -> None:
    with recording(tmp_path, trusted=True) as beside:
        address = serve_on(beside.archive)
        context = browser.new_context(viewport={"width": 390, "height": 844})
        context.set_default_timeout(WAIT_MS)
        page = context.new_page()
        page.clock.install(time=(clock.wall_ms() + 3_600_000) / 1000)
        page.goto(address)
        expect(page.locator("#clock")).to_contain_text("behind this phone's")
        expect(page.locator("#clock")).to_contain_text("look at the phone's clock first")
        expect(page.get_by_role("button", name="Use this phone's time")).to_have_count(0)
        context.close()


def test_clocks_that_agree_are_not_spoken_of(
    browser: Browser, serve_on: Callable[..., str], tmp_path: Path
) -> None:
    with recording(tmp_path, trusted=True) as beside:
        address = serve_on(beside.archive)
        context = browser.new_context()
        page = context.new_page()
        page.goto(address)
        page.wait_for_selector("#clock[data-state=compared]", state="attached")
        expect(page.locator("#clock")).to_be_hidden()
        context.close()


def test_an_archive_that_nobody_records_into_is_not_offered(tmp_path: Path) -> None:
    with Archive.open(tmp_path / "archive.db") as archive:
        archive.begin_boot("another boot", 0, 1_764_000_000_000, False)
    page = create_app(tmp_path / "archive.db").test_client().get("/").get_data(as_text=True)
    assert "clock is not trusted" in page and "Use this phone" not in page
