"""When what was taken must be durable, what rides along with it, and whether the disk took it.

Every commit is a block and a flush on the card, so it comes as late as the promise allows: just
before the oldest unsaved reading would be older than ``commit_s``.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable

from sootsayer.clock import LogClock
from sootsayer.live.findings import Findings
from sootsayer.live.health import Health
from sootsayer.live.judging import Judging
from sootsayer.live.keeping import Keeping
from sootsayer.model import Changes, SootsayerError, SourceState
from sootsayer.settings import RecorderSettings
from sootsayer.store.writer import ArchiveWriter

log = logging.getLogger(__name__)

VERDICT_EVERY_S = 30.0  # a trip's length grows all the time, and a card wears
LEAST_RESERVE_S = 0.05  # for the commit itself; what recent ones took, if that was longer
RESERVE_SHARE = 0.25  # of commit_s: a card that stalls for longer must not make it commit for ever
RECENT_COMMITS = 16


class Committing:
    """Lives in the one thread that touches the archive. Stamps are log time."""

    def __init__(
        self,
        archive: ArchiveWriter,
        settings: RecorderSettings,
        clock: LogClock,
        health: Health,
        keeping: Keeping,
        judging: Judging,
        feed: Callable[[], None],
        tell: Callable[[], None],
    ) -> None:
        """``feed``: feeds the watchdog. ``tell``: says aloud that the state changed."""
        self._archive, self._settings, self._clock = archive, settings, clock
        self._health, self._keeping, self._judging = health, keeping, judging
        self._feed, self._tell = feed, tell
        self._findings = Findings(self._log_ms(settings.findings_s))
        now_ms = clock.now_ms()
        self._unsaved_since_ms: int | None = None
        self._committed_ms = self._state_saved_ms = now_ms
        self._tried_ms = now_ms
        self._verdict_ms: int | None = None
        self._took_ms: deque[int] = deque(maxlen=RECENT_COMMITS)
        self._refused = False  # the disk did not take the last commit

    # ---------------------------------------------------------------- when

    def unsaved(self, t_ms: int) -> None:
        """Something of ``t_ms`` has been taken."""
        if self._unsaved_since_ms is None or t_ms < self._unsaved_since_ms:
            self._unsaved_since_ms = t_ms

    def left_s(self) -> float:
        """Real seconds until a commit is due, negative when one is overdue."""
        return (self._due_ms() - self._clock.now_ms()) / 1000 / self._clock.rate

    def due(self) -> bool:
        return self._clock.now_ms() >= self._due_ms()

    def _due_ms(self) -> int:
        if self._unsaved_since_ms is None:
            return self._committed_ms + self._log_ms(self._settings.idle_commit_s)
        latest_ms = self._unsaved_since_ms + self._log_ms(self._settings.commit_s)
        # A disk that refuses is asked once a turn, and settings that ask for what cannot be kept
        # do not make every turn a commit.
        return max(latest_ms - self._reserve_ms(), self._tried_ms + self._turn_ms())

    def _reserve_ms(self) -> int:
        most_ms = self._log_ms(RESERVE_SHARE * self._settings.commit_s)
        took_ms = max(self._took_ms, default=0)
        return min(max(took_ms, self._log_ms(LEAST_RESERVE_S)), most_ms)

    def _turn_ms(self) -> int:
        return self._log_ms(self._settings.batch_s)

    def _log_ms(self, seconds: float) -> int:
        """Real seconds in milliseconds of a clock that may run fast."""
        return int(seconds * 1000 * self._clock.rate)

    # ---------------------------------------------------------------- what

    def found(self, changes: Changes) -> None:
        """What the rules found; alarms go with the next commit, the rest when more is there."""
        if self._findings.add(changes, self._clock.now_ms()):
            self._verdict_ms = None
            self.unsaved(self._clock.now_ms())

    def commit(self, stored_ms: int, newest_ms: int) -> None:
        """Everything up to ``stored_ms`` has been handed to the archive; ``newest_ms`` is the
        stamp of the newest event taken."""
        now_ms = self._clock.now_ms()
        self._health.count("commits")
        if now_ms - self._state_saved_ms >= self._log_ms(self._settings.save_state_s):
            self._save_state(now_ms)
        if self._findings.due(now_ms):
            self._archive.apply(self._findings.take())
        if self._verdict_due(now_ms):
            self._put_verdict(now_ms)
        self._archive.put_state("health", self._health.as_json(now_ms))
        taken = self.committed()
        # Also when the disk refused: the recorder works and says so, and a restart would mend no
        # disk but lose what waits in memory.
        self._feed()
        if not taken:
            return
        # What is younger than the stored batch still waits to be stored.
        self._unsaved_since_ms = stored_ms if newest_ms > stored_ms else None
        self._committed_ms = now_ms

    def commit_last(self, stored_ms: int, newest_ms: int) -> None:
        """Also what could have waited: nothing follows."""
        self._save_state(self._clock.now_ms())
        self._verdict_ms = None
        self.commit(stored_ms, newest_ms)

    def committed(self) -> bool:
        """Whether the disk took it. What it refuses waits in the archive for the next turn."""
        self._tried_ms = self._clock.now_ms()
        taken = self._taken()
        self._took_ms.append(self._clock.now_ms() - self._tried_ms)
        return taken

    def _taken(self) -> bool:
        try:
            self._archive.commit()
        except SootsayerError as trouble:
            if not self._refused:
                log.error("%s", trouble)
            self._refused = True
            if self._keeping.refused(trouble, self._clock.now_ms()):
                self._tell_of_disk()
            return False
        if self._refused:
            log.info("the archive can be written again")
        self._refused = False
        if self._keeping.accepted(self._clock.now_ms()):
            self._tell_of_disk()
        return True

    def look_after_room(self) -> None:
        """To be called right after a commit: what it takes is then not missing before the next."""
        if self._keeping.look(self._clock.now_ms()):
            self._tell_of_disk()

    def _tell_of_disk(self) -> None:
        self._health.storing = self._keeping.trouble
        self._archive.put_state("store", self._keeping.as_json())
        self._tell()

    def _verdict_due(self, now_ms: int) -> bool:
        if self._verdict_ms is None:
            return True
        if self._health.state != SourceState.READING:
            return False
        return now_ms - self._verdict_ms >= self._log_ms(VERDICT_EVERY_S)

    def _put_verdict(self, now_ms: int) -> None:
        self._verdict_ms = now_ms
        if (verdict := self._judging.verdict()) is not None:
            self._archive.apply(Changes(verdict=verdict))

    def _save_state(self, now_ms: int) -> None:
        """With all that was found up to there: after a restart nothing of it is found again."""
        self._state_saved_ms = now_ms
        self._archive.apply(self._findings.take())
        if (state := self._judging.state()) is not None:
            self._archive.put_state("pipeline", state)
