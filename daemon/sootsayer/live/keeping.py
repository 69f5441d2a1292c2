"""Keeps room for the archive, and says how the disk takes it.

Every few minutes a little of what the settings let go of is removed. What is to be told, a full
disk, a disk that can only be read, writes that fail, room that is short, becomes one line of the
recorder's health and the state named "store".
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from sootsayer.model import SootsayerError
from sootsayer.settings import RetentionSettings
from sootsayer.store.retention import Policy
from sootsayer.store.schema import ArchiveRefusedError, Refusal
from sootsayer.store.writer import ArchiveWriter

EVERY_MS = 60_000  # so much is recorded meanwhile that one call always keeps pace
STUCK = "room is short and nothing may be removed any more; free some, or raise the limit"


class Keeping:
    """Looks after one archive."""

    def __init__(self, archive: ArchiveWriter, settings: RetentionSettings, now_ms: int) -> None:
        self._archive = archive
        self._policy = Policy(
            settings.full_days,
            settings.around_days,
            settings.around_s,
            settings.most_mb,
            settings.least_free_mb,
        )
        self._next_ms = now_ms + EVERY_MS
        self._since_ms = now_ms
        self._refusal = ""
        self._room = ""
        self._removed = 0
        self._why = ""

    @property
    def trouble(self) -> str:
        """What a person must know, "" when all is well."""
        if self._refusal:
            return f"{self._refusal}; what is read waits and is not lost yet"
        return self._room

    @property
    def room_is_short(self) -> bool:
        """Whether limit or disk leave too little room; a disk may refuse for other reasons."""
        return bool(self._room) or self._refusal == Refusal.FULL

    def refused(self, trouble: SootsayerError, now_ms: int) -> bool:
        """A commit failed; whether that is news. Readings wait in the ring or in memory."""
        why = trouble.refusal if isinstance(trouble, ArchiveRefusedError) else Refusal.FAILING
        return self._now(why, self._room, now_ms)

    def accepted(self, now_ms: int) -> bool:
        """A commit went well; whether that is news."""
        return self._now("", self._room, now_ms)

    def look(self, now_ms: int) -> bool:
        """Remove what is due, if it is time; whether the state changed."""
        if now_ms < self._next_ms:
            return False
        self._next_ms = now_ms + EVERY_MS
        try:
            tidied = self._archive.tidy(self._policy, now_ms, _free_bytes(self._archive.path))
        except SootsayerError as trouble:
            return self.refused(trouble, now_ms)
        self._removed += tidied.samples
        self._why = tidied.why or self._why
        room = STUCK if tidied.stuck else ""
        if tidied.short and not tidied.stuck:
            room = "room is short; the oldest readings are being removed"
        return self._now(self._refusal, room, now_ms)

    def as_json(self) -> dict[str, Any]:
        """The state named "store"; ``removed`` counts readings since the recorder started."""
        return {
            "trouble": self.trouble,
            "since_ms": self._since_ms,
            "removed": self._removed,
            "removed_why": self._why,
        }

    def _now(self, refusal: str, room: str, now_ms: int) -> bool:
        if (refusal, room) == (self._refusal, self._room):
            return False
        self._refusal, self._room, self._since_ms = refusal, room, now_ms
        return True


def _free_bytes(archive: Path) -> int:
    return shutil.disk_usage(archive.parent).free
