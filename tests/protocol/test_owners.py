"""Whose a channel is, and that noise cannot fill the memory with names."""

from __future__ import annotations

from collections import Counter

from sootsayer.model import Sample
from sootsayer.protocol.owners import MAX_CHANNELS, Owners
from sootsayer.protocol.scalings import COUNT


def test_the_engine_takes_over_what_another_unit_claimed_first() -> None:
    counters: Counter[str] = Counter()
    owners = Owners(frozenset({"7E8"}), counters)
    assert owners.claim("7E9", "vss")
    assert owners.claim("7E8", "rpm") and owners.engine == "7E8"
    assert owners.claim("7E8", "vss")
    (sample,) = owners.named("7E9", (Sample("vss", 50, COUNT),))
    assert sample.channel == "vss@7E9"
    assert counters == {"channel changed hands": 1}


def test_names_are_bounded() -> None:
    counters: Counter[str] = Counter()
    owners = Owners(frozenset(), counters)
    for number in range(MAX_CHANNELS + 50):
        assert owners.claim("7E8", f"channel{number}")
    assert counters == {"too many channels": 50}
    assert not owners.claim("7E9", "channel0")
