"""What the recorder and the car are doing, in a word and a sentence with "since when" and "why"."""

from __future__ import annotations

from typing import Any

from sootsayer import clock
from sootsayer.control import ask
from sootsayer.model import SootsayerError, SourceState
from sootsayer.store.reader import ArchiveReader
from sootsayer_web.limits import Limits
from sootsayer_web.moments import iso
from sootsayer_web.records import OpenArchive, Records, Times

NO_ARCHIVE = "no archive"
STOPPED = "stopped"
UNKNOWN = "unknown"
STATES = (NO_ARCHIVE, STOPPED, UNKNOWN, *(state.value for state in SourceState))

# Each can be followed by "since …".
SAYS = {
    NO_ARCHIVE: "The recorder has not written anything yet",
    STOPPED: "The recorder has written nothing new",
    UNKNOWN: "The recorder does not say what it is doing",
    SourceState.CONNECTING: "Trying to reach the adapter",
    SourceState.READING: "Reading the car",
    SourceState.SILENT: "The adapter answers, the car does not",
    SourceState.KEY_OFF: "The key is off",
    SourceState.UNPLUGGED: "The adapter has been unplugged",
}
STALE = "The recorder runs, but the car has given nothing new"
# Said where the recorder gives no reason of its own.
REASONS = {
    STOPPED: "Is its service running, and can the card be written?",
    SourceState.KEY_OFF: "Nothing is asked, so that the car can sleep.",
}


def recorder_answer(
    records: Records, archive: OpenArchive | None, limits: Limits
) -> dict[str, Any]:
    """State, sentence, since, reason and the last reading. Never raises for a missing note."""
    if archive is None:
        return _answer(NO_ARCHIVE, SAYS[NO_ARCHIVE], None, "", None, clock_trusted=False)
    times, health = archive.times, health_note(archive.reader)
    last_ms = last_reading_ms(archive.reader, health)
    last = times.iso(last_ms)
    trusted = last_ms is not None and times.trusted(last_ms)
    written_ms, silent_ms = _last_written(records, times, health)
    if silent_ms > limits.recorder_silent_s * 1000:
        if (word := _own_word(records)) is not None:
            state = _known_state(word.get("state"))
            reason = str(word.get("reason") or "")
            return _answer(state, SAYS[state], None, reason, last, trusted)
        return _answer(STOPPED, SAYS[STOPPED], iso(written_ms), "", last, trusted)
    state = _known_state(health.get("state"))
    since = times.iso(_whole(health.get("since_ms")))
    reason = str(health.get("reason") or "")
    if state == SourceState.READING and _is_stale(archive, last_ms, limits):
        return _answer(SourceState.SILENT, STALE, last, reason, last, trusted)
    return _answer(state, SAYS[state], since, reason, last, trusted)


def _own_word(records: Records) -> dict[str, Any] | None:
    """What the recorder says of itself when asked: a card that can only be read, or is full, keeps
    it from writing, not from reading the car. None when nobody answers."""
    if records.control is None or not records.control.exists():
        return None
    try:
        return ask(records.control, "status")
    except SootsayerError:
        return None


def _last_written(records: Records, times: Times, health: dict[str, Any]) -> tuple[int, int]:
    """Wall time of the last commit, and how long ago that is.

    The recorder's own stamp is best, for no step of the wall clock touches it; the file's date
    stands in for an archive of another boot or of a version that notes less.
    """
    noted_ms = _whole(health.get("now_ms"))
    if noted_ms is not None and times.this_boot:
        return times.wall_ms(noted_ms), times.now_ms() - noted_ms
    written_ms = records.written_ms()
    return written_ms, clock.wall_ms() - written_ms


def health_note(reader: ArchiveReader) -> dict[str, Any]:
    """The recorder's own note on its health; empty when there is none yet."""
    note = reader.state("health")
    return note if isinstance(note, dict) else {}


def last_reading_ms(reader: ArchiveReader, health: dict[str, Any]) -> int | None:
    """Log time of the newest reading: what the recorder says, else what is stored."""
    said = _whole(health.get("last_reading_ms"))
    if said is not None:
        return said
    span = reader.span()
    return span[1] if span else None


def _answer(
    state: str, says: str, since: str | None, reason: str, last: str | None, clock_trusted: bool
) -> dict[str, Any]:
    return {
        "state": str(state),
        "says": says,
        "since": since,
        "reason": reason or REASONS.get(state, ""),
        "last_reading": last,
        "clock_trusted": clock_trusted,
    }


def _known_state(said: object) -> str:
    return str(said) if said in STATES else UNKNOWN


def _is_stale(archive: OpenArchive, last_ms: int | None, limits: Limits) -> bool:
    if last_ms is None:
        return True
    return archive.times.now_ms() - last_ms > limits.readings_silent_s * 1000


def _whole(value: object) -> int | None:
    return int(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
