"""What the recorder has to say of itself to whoever judges its recordings: whether the clock is
to be trusted, whether there is room. As events beside the readings, so that a recording judged
anew tells the same.
"""

from __future__ import annotations

from sootsayer.derive.told import CLOCK, RECORDER, ROOM, SET, SHORT, UNSET, WIDE
from sootsayer.model import Identity


class OwnWord:
    """Remembers what was said last; only news is an event."""

    def __init__(self) -> None:
        self._said: dict[str, str] = {}

    def news(self, now_ms: int, clock_set: bool, room_short: bool) -> list[Identity]:
        """Events for what has changed since the last look; at the first, all."""
        words = {CLOCK: SET if clock_set else UNSET, ROOM: SHORT if room_short else WIDE}
        fresh = {key: word for key, word in words.items() if self._said.get(key) != word}
        self._said |= fresh
        return [Identity(now_ms, RECORDER, key, word) for key, word in fresh.items()]
