"""The recorder: threads, batches, commits, watchdog, and what survives a restart.

Source threads put events into a bounded intake. One thread, the one that calls `Recorder.run`,
takes them every half second, stores them, lets the rules see them and commits. It alone touches
the archive. The watchdog is fed after each try to commit and nowhere else, so it proves that the
whole way from the intake to the disk is walked, also while the disk refuses and says so.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sootsayer.clock import LogClock, boot_id, boottime_ms, wall_ms
from sootsayer.control import ControlServer
from sootsayer.live.clock_watch import ClockWatch
from sootsayer.live.committing import Committing
from sootsayer.live.coverage import Coverage
from sootsayer.live.health import Health
from sootsayer.live.intake import Intake, Taken
from sootsayer.live.judging import Judging, Pipeline
from sootsayer.live.keeping import Keeping
from sootsayer.live.own_word import OwnWord
from sootsayer.live.requests import Requests, reply
from sootsayer.live.soundness import Soundness
from sootsayer.live.source_thread import Source, SourceThread
from sootsayer.live.thinning import Thinning
from sootsayer.model import (
    Gap,
    Mark,
    Reading,
    SootsayerError,
    SourceEvent,
    SourceState,
    SourceStatus,
)
from sootsayer.notify import Notifier
from sootsayer.settings import Settings
from sootsayer.sources.batching import BatchBuilder
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.patient import PatientArchive, open_patiently
from sootsayer.store.reader import BEGINNING_MS, ArchiveReader
from sootsayer.store.writer import ArchiveWriter

log = logging.getLogger(__name__)

STOPPED = "stopped"
AFTER_STOP = "recorder was stopped"
AFTER_CUT = "recorder ended without notice, by a power cut or a crash"
JUDGING_FAILED = "stopped by a mistake in this program; the log has it, recording goes on"
JUDGE_FOR_S = 0.4  # of each half second while catching up, so that storing keeps its pace
LAST_JUDGING_S = 5.0  # at the end; what is left then is judged at the next start
SOURCE_END_S = 5.0  # a serial read ends within its own time-out, far below this


@dataclass(frozen=True, slots=True)
class Plan:
    """What to record, where, and how to judge it.

    ``sources``: makers by name; each gets the clock that its stamps must come from. The first
    one reads the car: its state is the recorder's, and its silence is a gap. Others run beside it.
    ``make_pipeline``: makes the pipeline from its saved state, or afresh from None.
    ``fingerprint``: see `sootsayer.fingerprint`; when it is another than before, everything
    that is stored is judged anew.
    """

    archive: Path
    sources: Mapping[str, Callable[[LogClock], Source]]
    make_pipeline: Callable[[dict[str, Any] | None], Pipeline]
    settings: Settings
    fingerprint: Mapping[str, Any] = field(default_factory=dict)
    port: str = ""
    control: Path | None = None
    notifier: Notifier = field(default_factory=lambda: Notifier(""))
    make_clock: Callable[[int], LogClock] = LogClock


class Recorder:
    """Records by ``plan`` from `run` until `stop` is called from anywhere, also a signal."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._intake = Intake(plan.settings.recorder.queue_readings)

    def run(self) -> None:
        """Returns after `stop`. Raises SootsayerError for a bad archive, or a source's mistake."""
        self._plan.archive.parent.mkdir(parents=True, exist_ok=True)
        opened = open_patiently(self._plan.archive, _device_key(self._plan.archive))
        with closing(opened) as archive:
            _Session(self._plan, archive, self._intake).run()

    def stop(self) -> None:
        self._intake.stop()


class _Session:
    """One run of the recorder on an open archive. Lives in one thread."""

    def __init__(self, plan: Plan, archive: ArchiveWriter, intake: Intake) -> None:
        self._plan, self._archive, self._intake = plan, archive, intake
        self._settings = plan.settings.recorder
        self._notifier = plan.notifier
        self._builder = BatchBuilder()
        self._first_source = next(iter(plan.sources), "")
        self._thinning = Thinning(int(self._settings.parked_s * 1000))
        stored_upto_ms = archive.upto_ms
        synchronised = Path(plan.settings.clock.synchronised_file)
        offset_ms = archive.begin_boot(boot_id(), boottime_ms(), wall_ms(), synchronised.exists())
        self._clock = plan.make_clock(offset_ms)
        step_ms = int(plan.settings.clock.step_s * 1000)
        self._clock_watch = ClockWatch(self._clock, step_ms, synchronised)
        self._own_word = OwnWord()
        self._reader = ArchiveReader(plan.archive, isinstance(archive, PatientArchive))
        self._remember()
        self._judging = self._take_up(stored_upto_ms)
        now_ms = self._clock.now_ms()
        self._upto_ms = now_ms
        self._newest_ms = now_ms  # stamp of the newest event accepted
        self._keeping = Keeping(archive, plan.settings.retention, now_ms)
        self._commits = Committing(
            archive,
            self._settings,
            self._clock,
            self._health,
            self._keeping,
            self._judging,
            plan.notifier.progress,
            self._tell,
        )
        self._requests = Requests(archive, self._clock, self._clock_watch, intake, self._health)
        self._soundness = Soundness(plan.archive)
        self._commits.committed()

    def _remember(self) -> None:
        """Gaps and health go on from where the last run left them."""
        before = self._reader.state("health") or {}
        span = self._reader.span()
        last_ms = span[1] if span else None
        reason = AFTER_STOP if before.get("state") == STOPPED else AFTER_CUT
        self._coverage = Coverage(int(self._settings.gap_s * 1000), last_ms, reason)
        fixed = {
            "port": self._plan.port,
            "commit_s": self._settings.commit_s,
            "restarts": int(before.get("restarts", -1)) + 1,
        }
        self._health = Health(self._plan.archive, fixed, self._clock.now_ms())
        self._health.last_reading_ms = last_ms

    def _take_up(self, stored_upto_ms: int) -> Judging:
        """The pipeline as it was saved, with all that was stored since still to be judged."""
        fingerprint = dict(self._plan.fingerprint)
        state = self._reader.state("pipeline")
        if self._reader.state("fingerprint") != fingerprint:
            state = None
            self._archive.put_state("fingerprint", fingerprint)
        pipeline = self._plan.make_pipeline(state)
        done_ms = BEGINNING_MS if pipeline.done_ms is None else pipeline.done_ms
        return Judging(pipeline, self._reader.batches(done_ms, stored_upto_ms))

    # ---------------------------------------------------------------- running

    def run(self) -> None:
        failure: BaseException | None = None
        with ExitStack() as started:
            if self._plan.control is not None:
                control = ControlServer(self._plan.control, self._intake.ask)
                control.start()
                started.callback(control.stop)
            for name, make in self._plan.sources.items():
                source = make(self._clock)
                thread = SourceThread(name, source, self._intake, self._clock, self._settings)
                thread.start()
                started.callback(thread.stop, SOURCE_END_S)
            self._soundness.start()
            started.callback(self._soundness.stop, SOURCE_END_S)
            self._notifier.ready()
            self._tell()
            taken = self._turn()
            while not (taken.stopping or taken.failure):
                taken = self._turn()
            failure = taken.failure
            self._notifier.stopping()
        self._finish()
        if failure is not None:
            raise failure

    def _turn(self) -> Taken:
        """Take what arrived, store it, commit when that is due, judge."""
        left_s = max(0.0, self._commits.left_s())
        taken = self._intake.take(min(self._settings.batch_s, left_s))
        self._accept(taken)
        self._store(self._clock.now_ms() - self._log_ms(self._settings.lateness_s))
        if self._commits.due():
            self._commit()
        self._judge(min(JUDGE_FOR_S, max(0.0, self._commits.left_s())))
        self._look_at_clock()
        self._say_own_word()
        self._answer(taken)
        return taken

    def _commit(self) -> None:
        self._commits.commit(self._upto_ms, self._newest_ms)
        self._commits.look_after_room()
        self._look_at_soundness()

    def _look_at_soundness(self) -> None:
        if self._soundness.told != self._health.damage:
            self._health.damage = self._soundness.told
            self._tell()

    def _answer(self, taken: Taken) -> None:
        """What a person asked for is durable before it is answered."""
        answers = [(asked, self._requests.handled(asked.request)) for asked in taken.requests]
        if answers:
            self._commit()
        for asked, answer in answers:
            reply(asked, answer)

    def _log_ms(self, seconds: float) -> int:
        """Real seconds in milliseconds of a clock that may run fast."""
        return int(seconds * 1000 * self._clock.rate)

    def _accept(self, taken: Taken) -> None:
        for source, event in taken.events:
            beside = source != self._first_source
            if beside and self._is_too_much(source, event):
                continue
            if isinstance(event, Mark):
                self._archive.mark(event)
            elif isinstance(event, Reading) and not beside:
                self._keep_gap(self._coverage.reading(event.t_ms))
            elif isinstance(event, SourceStatus) and not beside:
                self._coverage.status(event)
            if self._health.event(source, event, beside):
                self._tell()
            self._builder.add(event)
            self._newest_ms = max(self._newest_ms, event.t_ms)
            self._commits.unsaved(event.t_ms)
        if taken.lost is not None:
            log.warning("fell behind: %d replies dropped", taken.lost_readings)
            self._health.count("replies_dropped", taken.lost_readings)
            self._keep_gap(taken.lost)
        if self._builder.late:
            self._health.counters["replies_stamped_late"] = self._builder.late

    def _is_too_much(self, source: str, event: SourceEvent) -> bool:
        """Whether it is one of the many readings beside a parked car that are not kept."""
        resting = self._health.state == SourceState.KEY_OFF
        return isinstance(event, Reading) and not self._thinning.keeps(source, event.t_ms, resting)

    def _keep_gap(self, gap: Gap | None) -> None:
        if gap is not None:
            self._archive.gap(gap)
            self._commits.unsaved(self._clock.now_ms())

    def _store(self, upto_ms: int) -> None:
        batch = self._builder.take(max(upto_ms, self._upto_ms))
        self._upto_ms = batch.upto_ms
        self._archive.append(batch)
        self._judging.add(batch)

    def _judge(self, for_s: float) -> None:
        for changes in self._judging.work(for_s):
            self._commits.found(changes)
        if self._judging.failed and self._health.judging != JUDGING_FAILED:
            self._health.judging = JUDGING_FAILED
            self._tell()

    def _look_at_clock(self) -> None:
        anchor = self._clock_watch.look()
        if anchor is not None:
            log.info(
                "wall clock %s: anchor kept", "set by time server" if anchor.trusted else "moved"
            )
            self._archive.anchor(anchor)
            self._commits.unsaved(anchor.t_ms)

    def _say_own_word(self) -> None:
        """News of clock and room, as events beside the readings."""
        short = self._keeping.room_is_short
        for event in self._own_word.news(self._clock.now_ms(), self._clock_watch.is_set(), short):
            self._builder.add(event)
            self._commits.unsaved(event.t_ms)

    def _finish(self) -> None:
        """Nothing more arrives: store, judge and save all there is."""
        taken = self._intake.take(0)
        self._accept(taken)
        for asked in taken.requests:
            reply(asked, SootsayerError("the recorder is stopping"))
        now_ms = self._clock.now_ms()
        self._store(max(now_ms, self._newest_ms))
        self._judge(LAST_JUDGING_S)
        self._health.enter(STOPPED, AFTER_STOP, now_ms)
        self._commits.commit_last(self._upto_ms, self._newest_ms)

    def _tell(self) -> None:
        """The state in one line, to the log and to the service manager; called on changes."""
        line = f"{self._health.state}: {self._health.full_reason()}".rstrip(": ")
        log.info("%s", line)
        self._notifier.status(line)
        self._commits.unsaved(self._clock.now_ms())


def _device_key(archive: Path) -> DeviceKey | None:
    """What signs the chain. Without it readings are recorded all the same, only unsigned."""
    try:
        return DeviceKey.beside(archive)
    except SootsayerError as trouble:
        log.error("%s; the chain stays unsigned", trouble)
        return None
