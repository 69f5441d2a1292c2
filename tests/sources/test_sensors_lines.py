"""Input lines: duty from edge times, contacts, the driver's button, and libgpiod's own words."""

from __future__ import annotations

import errno
import inspect
import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import gpiod
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.clock import LogClock
from sootsayer.model import Mark, Reading, SootsayerError, SourceState
from sootsayer.sources.sensors import line_sensors, lines
from sootsayer.sources.sensors.edges import Edge, cycles_in
from sootsayer.sources.sensors.making import sensor_sources
from sootsayer.sources.sensors.plans import LinePlan

if TYPE_CHECKING:
    from sources.conftest import Collector

MS = 1_000_000
LINE = {"chip": "/dev/gpiochip0", "line": 17}


def pulses(on_ms: float, period_ms: float, count: int, start_ms: float = 0.0) -> list[Edge]:
    """``count`` cycles and the beginning of the next."""
    edges = []
    for cycle in range(count):
        at = start_ms + cycle * period_ms
        edges += [(at, True), (at + on_ms, False)]
    edges.append((start_ms + count * period_ms, True))
    return [Edge(round(t * MS), rising, n) for n, (t, rising) in enumerate(edges, start=1)]


# ---------------------------------------------------------------- duty


@given(st.floats(1, 99), st.floats(3, 200), st.integers(1, 40))
def test_duty_and_period_of_a_steady_signal(duty: float, period_ms: float, count: int) -> None:
    found = cycles_in(pulses(period_ms * duty / 100, period_ms, count)).duty
    assert found is not None and found.cycles == count
    assert found.duty_pct == pytest.approx(duty, abs=0.001)
    assert found.period_ms == pytest.approx(period_ms, rel=1e-5)


@given(st.lists(st.tuples(st.integers(1, 50), st.integers(1, 50)), min_size=1, max_size=20),
       st.integers(0, 40))  # fmt: skip
def test_any_cutting_loses_no_cycle(widths: list[tuple[int, int]], cut: int) -> None:
    """On-time and whole time add up to the same, wherever the windows end."""
    edges, t_ms = [], 0
    for on_ms, off_ms in widths:
        edges += [(t_ms, True), (t_ms + on_ms, False)]
        t_ms += on_ms + off_ms
    edges.append((t_ms, True))
    numbered = [Edge(t * MS, rising, n) for n, (t, rising) in enumerate(edges)]
    first = cycles_in(numbered[:cut])
    second = cycles_in([*first.rest, *numbered[cut:]])
    found = [part.duty for part in (first, second) if part.duty is not None]
    on_ms = sum(d.duty_pct / 100 * d.period_ms * d.cycles for d in found)
    assert sum(d.cycles for d in found) == len(widths)
    assert on_ms == pytest.approx(sum(on for on, _ in widths))
    assert first.lost == second.lost == 0


@given(st.integers(1, 18), st.booleans())
def test_a_missing_edge_never_makes_a_wrong_duty(place: int, numbered: bool) -> None:
    """Whether the kernel's count shows the loss or only two equal edges in a row."""
    edges = pulses(3, 10, 10)
    del edges[place]
    if not numbered:
        edges = [Edge(e.t_ns, e.rising, n) for n, e in enumerate(edges)]
    found = cycles_in(edges)
    assert found.lost == 1
    if found.duty is not None:
        assert found.duty.duty_pct == pytest.approx(30.0)
        assert found.duty.period_ms == pytest.approx(10.0)


@given(st.lists(st.tuples(st.integers(0, 10**12), st.booleans(), st.integers(0, 9)), max_size=40))
def test_any_edges_give_a_duty_between_nought_and_all(
    raw: list[tuple[int, bool, int]],
) -> None:
    found = cycles_in([Edge(*edge) for edge in raw])
    assert found.duty is None or 0 <= found.duty.duty_pct <= 100
    assert len(found.rest) <= 2


def test_half_a_cycle_is_none_and_waits() -> None:
    edges = pulses(3, 10, 1)
    assert cycles_in(edges[:2]).duty is None and cycles_in(edges[:2]).rest == tuple(edges[:2])
    assert cycles_in([]).duty is None


# ---------------------------------------------------------------- the sources, injected edges


class FakeLine:
    """A line whose edges a test gives."""

    def __init__(self) -> None:
        self.level = False
        self.gone = False
        self.closed = 0
        self._edges: list[Edge] = []
        self._number = 0
        self._t_ns = 0
        self._changed = threading.Condition()

    def open(self, plan: LinePlan) -> FakeLine:
        if self.gone:
            raise OSError(errno.ENODEV, "No such device")
        return self

    def change(self, after_ms: float, *, rising: bool) -> None:
        with self._changed:
            self._t_ns += round(after_ms * MS)
            self._number += 1
            self.level = rising
            self._edges.append(Edge(self._t_ns, rising, self._number))
            self._changed.notify_all()

    def wait(self, most_s: float) -> list[Edge]:
        with self._changed:
            self._changed.wait_for(lambda: self._edges or self.gone, most_s)
            if self.gone:
                raise OSError(errno.ENODEV, "No such device")
            came, self._edges = self._edges, []
            return came

    def pull(self) -> None:
        with self._changed:
            self.gone = True
            self._changed.notify_all()

    def active(self) -> bool:
        return self.level

    def close(self) -> None:
        self.closed += 1


@pytest.fixture
def line() -> FakeLine:
    return FakeLine()


@pytest.fixture
def watch(line: FakeLine, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Collector]]:
    from sources.conftest import Collector

    monkeypatch.setattr(line_sensors, "RETRY_PAUSES_S", (0.02,))
    collectors: list[Collector] = []

    def run(stated: dict[str, Any]) -> Collector:
        (make,) = sensor_sources({"one": stated}, "x", opens=line.open).values()
        collectors.append(Collector(make(LogClock(0))))  # type: ignore[arg-type]
        return collectors[-1]

    yield run
    for collector in collectors:
        collector.end()


def values(reading: Reading) -> dict[str, float]:
    return {s.channel: s.raw * s.scaling.scale + s.scaling.offset for s in reading.samples}


def test_a_contact_is_told_at_once_at_each_change_and_in_its_period(
    line: FakeLine, watch: Callable[..., Collector]
) -> None:
    collector = watch({"kind": "contact", **LINE, "channel": "egr_contact", "period_s": 0.1})
    assert values(collector.wait_channel("egr_contact")) == {"egr_contact": 0.0}
    line.change(0, rising=True)
    collector.wait(lambda e: isinstance(e, Reading) and values(e) == {"egr_contact": 1.0})
    line.change(5, rising=False)
    line.change(30, rising=True)  # both before anybody looked
    collector.wait(lambda e: isinstance(e, Reading) and values(e) == {"egr_contact": 1.0},
                   since=len(collector.events))  # fmt: skip
    told = [values(e)["egr_contact"] for e in collector.events if isinstance(e, Reading)]
    assert 0.0 in told[told.index(1.0) :]


def test_the_duty_of_a_solenoid_and_its_rest(
    line: FakeLine, watch: Callable[..., Collector], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(line_sensors, "STEADY_S", 0.2)
    for _ in range(20):
        line.change(6, rising=True)
        line.change(4, rising=False)
    line.change(6, rising=True)
    collector = watch({"kind": "duty", **LINE, "channel": "egr_solenoid_duty_pct", "window_s": 0.1})
    first = values(collector.wait_channel("egr_solenoid_duty_pct"))
    assert first["egr_solenoid_duty_pct"] == pytest.approx(40.0)
    assert first["egr_solenoid_period_ms"] == pytest.approx(10.0)
    rest = collector.wait(
        lambda e: isinstance(e, Reading) and values(e) == {"egr_solenoid_duty_pct": 100.0}
    )
    assert isinstance(rest, Reading)


def test_each_press_is_one_mark(line: FakeLine, watch: Callable[..., Collector]) -> None:
    for pause_ms in (0, 200, 5000):  # the second is the same nervous press
        line.change(pause_ms, rising=True)
        line.change(100, rising=False)
    collector = watch({"kind": "button", **LINE, "text": "it knocks"})
    collector.wait(
        lambda e: (
            isinstance(e, Mark) and sum(isinstance(other, Mark) for other in collector.events) == 2
        )
    )
    marks = [e for e in collector.events if isinstance(e, Mark)]
    assert {(m.text, m.author) for m in marks} == {("it knocks", "driver's button")}


def test_a_chip_that_vanishes_is_told_and_waited_for(
    line: FakeLine, watch: Callable[..., Collector]
) -> None:
    collector = watch({"kind": "contact", **LINE, "channel": "egr_contact", "period_s": 0.1})
    collector.wait_state(SourceState.READING)
    count = len(collector.events)
    line.pull()
    assert "No such device" in collector.wait_state(SourceState.UNPLUGGED, since=count).reason
    line.gone = False
    collector.wait_state(SourceState.READING, since=count)
    assert line.closed == 1


# ---------------------------------------------------------------- libgpiod


PLAN = LinePlan("one", "/dev/gpiochip0", 17, "up", True, 20)


class FakeRequest:
    """What gpiod.request_lines gives, with real events in it."""

    def __init__(self) -> None:
        kind = gpiod.EdgeEvent.Type
        self.events = [
            gpiod.EdgeEvent(kind.RISING_EDGE.value, 1000, 17, 5, 3),
            gpiod.EdgeEvent(kind.FALLING_EDGE.value, 2000, 17, 6, 4),
        ]
        self.released = False

    def wait_edge_events(self, timeout: float) -> bool:
        return bool(self.events)

    def read_edge_events(self) -> list[gpiod.EdgeEvent]:
        events, self.events = self.events, []
        return events

    def get_value(self, line: int) -> gpiod.line.Value:
        return gpiod.line.Value.ACTIVE

    def release(self) -> None:
        self.released = True


def test_the_library_is_asked_for_an_input_and_nothing_else(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Against the signatures of the installed gpiod; no chip exists on a test machine."""
    request = FakeRequest()
    signature = inspect.signature(gpiod.request_lines)
    asked: dict[str, Any] = {}

    def request_lines(*args: Any, **more: Any) -> FakeRequest:
        asked.update(signature.bind(*args, **more).arguments)
        return request

    monkeypatch.setattr(gpiod, "request_lines", request_lines)
    opened = lines.open_line(PLAN)
    settings = asked["config"][17]
    assert asked["path"] == "/dev/gpiochip0" and list(asked["config"]) == [17]
    assert settings == gpiod.LineSettings(
        direction=gpiod.line.Direction.INPUT,
        edge_detection=gpiod.line.Edge.BOTH,
        bias=gpiod.line.Bias.PULL_UP,
        active_low=True,
        debounce_period=timedelta(milliseconds=20),
    )
    assert opened.wait(0.1) == [Edge(1000, True, 3), Edge(2000, False, 4)]
    assert opened.wait(0.1) == [] and opened.active()
    opened.close()
    assert request.released


def test_a_chip_that_is_not_there_is_an_os_error() -> None:
    with pytest.raises(OSError):
        lines.open_line(LinePlan("one", "/dev/null", 17, "none", False, 0))
    with pytest.raises(FileNotFoundError, match="no chip is labelled 'nobody'"):
        lines.open_line(LinePlan("one", "nobody", 17, "none", False, 0))


@pytest.mark.parametrize(
    ("module", "told"),
    [("sootsayer_has_no_such_module", "is not installed"), ("math", "of the first version")],
)
def test_without_the_library_it_is_told_before_the_start(
    monkeypatch: pytest.MonkeyPatch, module: str, told: str
) -> None:
    monkeypatch.setattr(lines, "LIBRARY", module)
    stated = {"kind": "button", **LINE}
    with pytest.raises(SootsayerError, match=told):
        sensor_sources({"one": stated}, "x")


def test_files_alone_do_not_load_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lines, "LIBRARY", "sootsayer_has_no_such_module")
    stated = {"kind": "iio", "device": "adc", "input": "temp", "channel": "egr_passage_c",
              "min": -40, "max": 900}  # fmt: skip
    assert list(sensor_sources({"one": stated}, "x")) == ["sensor one"]
