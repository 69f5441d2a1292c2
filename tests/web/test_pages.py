from __future__ import annotations

import re
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from sootsayer import clock
from sootsayer.model import Changes, LinkState
from sootsayer.store.archive import Archive
from sootsayer_web import create_app
from web_story import MINUTE_MS, TITLE, alert, episodes, health, tell, verdict

PAGES = ["/", "/alerts", "/alerts/1", "/alerts/2", "/alerts/3", "/alerts/4", "/logger"]
FIRST_PAGE_BYTES = 150_000


class Page(HTMLParser):
    """What stands in a page: tags with their attributes, and its text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.text += " " if tag in ("td", "dd", "th") else ""

    def handle_data(self, data: str) -> None:
        self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def page(client: FlaskClient, address: str) -> Page:
    response = client.get(address)
    assert response.status_code == 200, address
    return Page(response.get_data(as_text=True))


def client_of(path: Path, **states: Any) -> FlaskClient:
    with Archive.open(path) as archive:
        for name, value in states.items():
            archive.put_state(name, value)
        archive.commit()
    return create_app(path).test_client()


@pytest.mark.parametrize("address", PAGES)
def test_every_page_stands_on_its_own(client: FlaskClient, address: str) -> None:
    found = page(client, address)
    assert found.all("html")[0]["lang"] == "en"
    assert len(found.all("h1")) == 1 and len(found.all("main")) == 1
    assert found.all("a")[0]["href"] == "#main"  # the first stop of the keyboard skips the head
    assert all(table for table in found.all("table"))
    assert len(found.all("caption")) == len(found.all("table"))
    for link in found.all("a"):
        target = str(link["href"])
        if target.startswith("/"):
            assert client.get(target).status_code == 200, target


@pytest.mark.parametrize("address", [*PAGES, "/nothing"])
def test_no_script_or_style_inside_and_nothing_from_elsewhere(
    client: FlaskClient, address: str
) -> None:
    response = client.get(address)
    assert "default-src 'self'" in response.headers["Content-Security-Policy"]
    assert "unsafe" not in response.headers["Content-Security-Policy"]
    html = response.get_data(as_text=True)
    found = Page(html)
    assert not found.all("style")
    assert all(script.get("src") for script in found.all("script"))
    assert not any("style" in attributes for _, attributes in found.tags)
    assert not any(key.startswith("on") for _, attributes in found.tags for key in attributes)
    assert not re.search(r"""(src|href|action)=["'](https?:)?//""", html)


def test_first_page_weight(client: FlaskClient, vendor: dict[str, Any]) -> None:
    html = client.get("/").get_data(as_text=True)
    found = Page(html)
    wanted = [tag["src"] for tag in found.all("script")]
    wanted += [tag["href"] for tag in found.all("link")] + ["/static/plots.js"]
    sizes = {str(name): len(client.get(str(name)).data) for name in wanted}
    assert any("uPlot" in name for name in sizes) and all(sizes.values())
    live = len(client.get("/api/v1/now").data)
    assert len(html.encode()) + live + sum(sizes.values()) <= FIRST_PAGE_BYTES


def test_now_says_the_sentence_first(client: FlaskClient) -> None:
    html = client.get("/").get_data(as_text=True)
    body = html[html.index("<main") :]
    order = [
        "The valve moves, but the gas does not follow.",
        "The chain, link by link",
        "What would explain it",
        "Do this next",
        "Last ten minutes",
        "Newest alerts",
    ]
    places = [body.index(words) for words in order]
    assert places == sorted(places)
    assert 'aria-live="polite"' in body[: places[0]]
    for words in ("failed 37 of 41 chances, watched 3 h 12 min", "Passage choked with carbon",
                  "Engine stumbles", "Exhaust kills", "Do not use while driving"):  # fmt: skip
        assert words in html


def test_state_is_a_word_and_a_line_not_a_colour(client: FlaskClient) -> None:
    html = client.get("/").get_data(as_text=True)
    links = re.findall(r'<li class="link (\w+)">(.*?)</li>', html, re.DOTALL)
    assert [state for state, _ in links] == ["holding", "holding", "holding", "broken", "doubtful"]
    for state, inside in links:
        assert f">{state}<" in inside
        assert f'class="{state}"' in inside  # its line's own class, drawn with its own dashes
    assert 'class="fray"' in links[3][1] and 'class="fray"' not in links[0][1]


def test_what_the_car_says_is_never_markup(tmp_path: Path) -> None:
    now_ms = clock.wall_ms()
    wicked = "<script>alert(1)</script>"
    with Archive.open(tmp_path / "a.db") as archive:
        found = alert(now_ms - 1000, now_ms, title=wicked, text=wicked)
        archive.apply(Changes(alerts=(found,), verdict=verdict(now_ms, sentence=wicked)))
    client = create_app(tmp_path / "a.db").test_client()
    for address in ("/", "/alerts", "/alerts/1"):
        assert wicked not in client.get(address).get_data(as_text=True)


def test_a_new_install_says_what_it_waits_for(tmp_path: Path) -> None:
    for client in (create_app(tmp_path / "none.db").test_client(), client_of(tmp_path / "a.db")):
        found = page(client, "/")
        assert "Nothing can be said yet." in found.text
        assert "The way to a first verdict" in found.text
        assert "one warm drive of half an hour" in found.text
        assert found.text.count("waiting for this") == 1
        assert "None yet." in page(client, "/alerts").text
        assert "Logger" in page(client, "/logger").text


@pytest.mark.parametrize(
    ("state", "reason", "says"),
    [("connecting", "no such port /dev/x", "Trying to reach the adapter since"),
     ("unplugged", "the port went away", "The adapter has been unplugged since"),
     ("silent", "no data", "The adapter answers, the car does not since"),
     ("key off", "", "The key is off since"),
     ("something new", "", "The recorder does not say what it is doing since")],
)  # fmt: skip
def test_silence_is_said_with_since_and_why(
    tmp_path: Path, state: str, reason: str, says: str
) -> None:
    note = health(clock.wall_ms(), state=state, reason=reason)
    text = " ".join(page(client_of(tmp_path / "a.db", health=note), "/").text.split())
    assert says in text
    assert reason[:1].upper() + reason[1:] in text
    if state == "key off":
        assert "so that the car can sleep" in text


def test_a_health_note_with_little_in_it(tmp_path: Path) -> None:
    client = client_of(tmp_path / "a.db", health={"state": "reading"})
    assert "The recorder runs, but the car has given nothing new" in page(client, "/").text
    assert "Restarts" in page(client, "/logger").text


def test_alerts_are_chosen_by_link_and_state(client: FlaskClient) -> None:
    assert "4 alerts, newest evidence first" in page(client, "/alerts").text
    chosen = page(client, "/alerts?link=flow&state=cleared")
    assert "1 alert, cleared, link flow" in chosen.text and TITLE not in chosen.text
    assert [o["value"] for o in chosen.all("option") if "selected" in o] == ["flow", "cleared"]
    assert "No alert fits this choice" in page(client, "/alerts?link=permit").text
    assert client.get("/alerts?link=fuel").status_code == 400


def test_one_can_step_through_the_chances_without_a_script(client: FlaskClient) -> None:
    found = page(client, "/alerts/1")
    count = int(re.search(r"Chance \d+ of (\d+)", found.text)[1])  # type: ignore[index]
    steps = {str(a["title"]): str(a["href"]) for a in found.all("a") if a.get("title")}
    before = page(client, steps["The chance before"])
    assert f"Chance {count - 1} of {count}" in before.text
    first = page(client, "/alerts/1?episode=1")
    titles = [a.get("title") for a in first.all("a")]
    assert "The chance before" not in titles and "The chance after" in titles
    worst = page(client, steps["The failed chance farthest from the limit"])
    assert ": failed" in worst.text
    assert page(client, "/alerts/1?episode=9999").text == found.text  # there is none: the newest


def test_evidence_stands_as_a_table_too(client: FlaskClient) -> None:
    found = page(client, "/alerts/1")
    assert "EGR commanded, %" in found.text and "Intake manifold pressure, kPa" in found.text
    plot = found.tags[[a.get("id") for _, a in found.tags].index("evidence-plot")][1]["data-plot"]
    assert '"failed": true' in str(plot)
    rows = found.text.split("Means of short stretches")[1].split("All chances")[0]
    assert len(re.findall(r"\d\d:\d\d:\d\d UTC", rows)) >= 20


def test_where_the_error_is_evidence_the_position_is_drawn(tmp_path: Path) -> None:
    archive, story = tell(tmp_path / "a.db", minutes=12)
    shown = alert(
        story.now_ms - 8 * MINUTE_MS, story.now_ms, rule="M1", channels=("egr_pct", "egr_err")
    )
    archive.apply(
        Changes(
            alerts=(shown,),
            episodes=episodes(story.now_ms - 8 * MINUTE_MS, story.now_ms - MINUTE_MS, 5, "M1"),
        )
    )
    archive.close()
    found = page(create_app(story.path).test_client(), "/alerts/5")
    assert "EGR commanded, %" in found.text and "Valve position, %" in found.text
    assert "EGR error, %" in found.text


def test_an_alert_without_chances_or_channels(client: FlaskClient) -> None:
    found = page(client, "/alerts/3")
    assert "This alert counts no single chances." in found.text


def test_the_table_of_chances_may_be_long(tmp_path: Path) -> None:
    now_ms = clock.wall_ms()
    first_ms = now_ms - 86_400_000
    with Archive.open(tmp_path / "a.db") as archive:
        archive.apply(
            Changes(
                alerts=(alert(first_ms, now_ms),),
                episodes=episodes(first_ms, now_ms - 100_000, 300),
            )
        )
    client = create_app(tmp_path / "a.db").test_client()
    short = page(client, "/alerts/1")
    count = int(re.search(r"20 of (\d+) chances", short.text)[1])  # type: ignore[index]
    assert count > 200 and f"Show all {count}" in short.text
    assert "From chance" in short.text  # the drawing holds the newest ones only
    assert f"{count} of {count} chances" in page(client, "/alerts/1?all=1").text


def test_csv_of_one_alert(client: FlaskClient) -> None:
    response = client.get("/alerts/1/evidence.csv")
    assert response.mimetype == "text/csv"
    assert "alert-1.csv" in response.headers["Content-Disposition"]
    lines = response.get_data(as_text=True).splitlines()
    head = next(line for line in lines if not line.startswith("#"))
    columns = {"utc", "log_ms", "egr_pct [%]", "map [kPa]", "maf [g/s]", "rpm [rpm]"}
    assert set(head.split(",")) == columns
    assert len(lines) > 2000
    assert client.get("/alerts/99/evidence.csv").status_code == 404


def test_logger(client: FlaskClient) -> None:
    text = re.sub(r"[ \n]+", " ", page(client, "/logger").text)
    for words in ("adapter 41.2", "Each takes", "Room left 18.4\u00a0GB", "Board 51.4\u00a0°C",
                  "Recorder 0.1.0", "Restarts 2", "garbled replies", "Lasted", "key off",
                  "The clock is trusted.", "Starts of the small computer"):  # fmt: skip
        assert words in text, words


def test_without_the_chart_library_tables_stand_in(client: FlaskClient, tmp_path: Path) -> None:
    client.application.static_folder = str(tmp_path)  # nothing was brought in here
    for address in ("/", "/alerts/1"):
        found = page(client, address)
        assert "The chart library was not brought in" in found.text
        assert not any("uPlot" in str(tag.get("src")) for tag in found.all("script"))
    assert "open" in page(client, "/alerts/1").all("details")[0]


def test_what_does_not_exist(client: FlaskClient) -> None:
    for address in ("/nothing", "/alerts/999", "/parts/nothing"):
        response = client.get(address)
        assert response.status_code == 404
        assert "There is no such page" in response.get_data(as_text=True)
    assert client.post("/").status_code == 405


@pytest.mark.parametrize("name", ["now", "alerts", "alert", "logger"])
def test_parts_are_what_the_page_shows(client: FlaskClient, name: str) -> None:
    address = {"now": "/", "alert": "/alerts/1"}.get(name, f"/{name}")
    html = client.get(address).get_data(as_text=True)
    parts = client.get(f"/parts/{name}").get_json()
    assert parts
    for part, rendered in parts.items():
        assert f'data-part="{part}" data-mark="' in html
        steady = part not in ("status", "recent", "watched")
        assert not steady or rendered["html"] in html, part


def test_links_that_no_car_shows_are_not_a_first_day_for_ever(tmp_path: Path) -> None:
    now_ms = clock.wall_ms()
    told = verdict(now_ms)
    unseen = tuple(
        type(link)(link.link, LinkState.UNSEEN, 0, 0, 0.0, "this car does not tell it")
        for link in told.links
    )
    for engine_s, first_day in ((600.0, True), (20_000.0, False)):
        path = tmp_path / f"{engine_s}.db"
        with Archive.open(path) as archive:
            archive.apply(Changes(verdict=verdict(now_ms, links=unseen, engine_s=engine_s)))
        text = page(create_app(path).test_client(), "/").text
        assert ("The way to a first verdict" in text) is first_day
        assert "this car does not tell it" in text


def test_palette_comes_before_the_sheet_that_uses_it(client: FlaskClient) -> None:
    sheet = files("sootsayer_web").joinpath("static/sheet.css").read_text(encoding="utf-8")
    palette = files("sootsayer_web").joinpath("static/palette.css").read_text(encoding="utf-8")
    used = set(re.findall(r"var\(--([a-z-]+)\)", sheet))
    assert used <= set(re.findall(r"--([a-z-]+):", palette))
    assert not re.search(r"#[0-9a-f]{3,8}\b(?!\w)", re.sub(r"border-color: #999", "", sheet))
