"""Gas at single stops: against what breathing allows, and against the car's own other stops."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from sootsayer.derive.stop_gas import StopGas
from sootsayer.rules.book import load_rules
from sootsayer.rules.by_flow import gas_at_stop
from sootsayer.rules.seen import BASELINE_LEAST, Baselines, Seen

F2S = load_rules()["F2S"]
UNSURE_PCT = 32.0  # no stop tells much by breathing alone


def judged(stops: list[tuple[float, bool]]) -> list[bool]:
    """Whether each stop failed; ``stops``: gas in per cent, whether idle did not settle."""
    baselines, failed = Baselines(), []
    for number, (gas_pct, restless) in enumerate(stops):
        at_ms = number * 600_000
        stop = StopGas(at_ms, at_ms + 30_000, gas_pct, UNSURE_PCT, gas_pct, restless)
        seen: Any = SimpleNamespace(
            stop_gases=[stop], baselines=baselines, accused=frozenset(), context={}
        )
        failed += [chance.failed for chance in gas_at_stop(F2S, cast(Seen, seen))]
    return failed


def test_a_leak_in_the_first_trips_is_not_learned_for_the_usual():
    """Half of the first stops leak and shake; from the time the car is known they fail."""
    calm, leaky = (-10.0, False), (22.0, True)
    first = [leaky, calm] * BASELINE_LEAST
    assert judged([*first, *[leaky, calm] * 5]) == [False] * len(first) + [True, False] * 5


@pytest.mark.parametrize(
    ("gas_pct", "restless", "fails"),
    [(-1.0, False, False), (2.0, False, True), (8.0, True, False), (12.0, True, True)],
)
def test_a_stop_that_shakes_must_stand_out_by_more(gas_pct, restless, fails):
    calm = [(-10.0, False)] * BASELINE_LEAST
    assert judged([*calm, (gas_pct, restless)])[-1] == fails
