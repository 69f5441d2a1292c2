"""When a resting car may be asked again: a calendar in seconds."""

from __future__ import annotations

from dataclasses import replace

from sootsayer.sources.can_rest import BusRest, Why
from sootsayer.sources.can_settings import CanSettings, can_settings

SETTINGS: CanSettings = replace(
    can_settings(),
    quiet_s=2.0,
    awake_pauses_s=(10, 30),
    blind_pauses_s=(60, 300),
    wake_pauses_s=(0, 20),
)


def asks(
    rest: BusRest, start_s: float, end_s: float, frames_s: list[float]
) -> list[tuple[int, Why]]:
    """When the car was asked and why, looking four times a second."""
    found = []
    at, frames = start_s, sorted(frames_s)
    while at < end_s:
        while frames and frames[0] <= at:
            rest.saw(int(frames.pop(0) * 1000))
        why = rest.due(int(at * 1000))
        if why is not None:
            found.append((int(at), why))
            if why is Why.TRAFFIC:
                break
        at += 0.25
    return found


def resting(talked_s: float | None) -> BusRest:
    rest = BusRest(SETTINGS)
    rest.talked(None if talked_s is None else int(talked_s * 1000))
    rest.lie_down(100_000)
    return rest


def every(start_s: float, end_s: float) -> list[float]:
    return [start_s + 0.5 * n for n in range(int((end_s - start_s) * 2))]


def test_a_sleeping_bus_is_never_asked() -> None:
    assert asks(resting(99.0), 100, 100_000, []) == []


def test_new_traffic_after_sleep_asks_at_once() -> None:
    assert asks(resting(99.0), 100, 505, every(500, 510)) == [(500, Why.TRAFFIC)]


def test_traffic_that_never_stopped_is_no_awakening() -> None:
    """The bus stays awake a while after key-off: looked at with pauses, left alone after."""
    found = asks(resting(99.9), 100, 4_000, every(100, 200))
    assert found == [(110, Why.AWAKE), (140, Why.AWAKE), (170, Why.AWAKE), (200, Why.AWAKE)]


def test_a_bus_that_wakes_again_and_again_is_asked_later() -> None:
    rest = resting(99.0)
    assert asks(rest, 100, 310, every(300, 305)) == [(300, Why.TRAFFIC)]
    rest.talked(305_000)
    rest.lie_down(310_000)
    assert asks(rest, 310, 430, every(400, 425)) == [(420, Why.TRAFFIC)]


def test_traffic_that_has_gone_again_asks_nothing() -> None:
    rest = resting(99.0)
    asks(rest, 100, 310, every(300, 305))
    rest.talked(305_000)
    rest.lie_down(310_000)
    assert asks(rest, 310, 800, every(400, 405)) == [], "a door was opened and closed"


def test_a_running_engine_makes_pauses_short_again() -> None:
    rest = resting(99.0)
    asks(rest, 100, 310, every(300, 305))
    rest.engine_ran()
    rest.talked(305_000)
    rest.lie_down(310_000)
    assert asks(rest, 310, 410, every(400, 410)) == [(400, Why.TRAFFIC)]


def test_a_bus_that_never_talks_is_asked_ever_more_seldom() -> None:
    found = asks(resting(None), 100, 1_100, [])
    assert found == [(160, Why.BLIND), (460, Why.BLIND), (760, Why.BLIND), (1060, Why.BLIND)]


def test_without_blind_pauses_it_is_never_asked() -> None:
    rest = BusRest(replace(SETTINGS, blind_pauses_s=()))
    rest.lie_down(100_000)
    assert asks(rest, 100, 100_000, []) == []


def test_first_traffic_on_a_silent_bus_asks_at_once() -> None:
    assert asks(resting(None), 100, 131, every(130, 135)) == [(130, Why.TRAFFIC)]
