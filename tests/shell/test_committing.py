"""When a recorder commits: as late as its promise allows, and what may wait longer waits."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from sootsayer.clock import LogClock
from sootsayer.live.committing import Committing
from sootsayer.live.findings import Findings
from sootsayer.live.health import Health
from sootsayer.live.judging import Judging
from sootsayer.live.keeping import Keeping
from sootsayer.model import Alert, AlertState, Changes, Link, Opening, SootsayerError, Trip
from sootsayer.settings import shipped_settings
from sootsayer.store.archive import Archive

HOLD_MS = 60_000
SETTINGS = shipped_settings()


def alert(state: AlertState = AlertState.OPEN, seen: int = 3) -> Alert:
    return Alert(
        "F1", Link.FLOW, state, 1, 2, 3, None, seen, 9, 1.0, 0.2, 0.5, "", "No gas", "text", ()
    )


def trip(open: bool, end_ms: int = 9) -> Trip:
    return Trip(1, 1, end_ms, open, 1.0, 1.0, 0)


def opening(number: int) -> Opening:
    return Opening(number, 1, 1, 2, 9.0, *[None] * 9)


def test_a_growing_trip_and_openings_wait_for_one_another() -> None:
    findings = Findings(HOLD_MS)
    assert not findings.add(Changes(trips=(trip(True),), openings=(opening(1),)), 1_000)
    assert not findings.due(1_000 + HOLD_MS - 1)
    assert not findings.add(Changes(trips=(trip(True, 99),), openings=(opening(2),)), 5_000)
    assert findings.due(1_000 + HOLD_MS)
    taken = findings.take()
    assert taken.trips == (trip(True, 99),)  # the later word
    assert [one.number for one in taken.openings] == [1, 2]
    assert findings.take() == Changes() and not findings.due(1 << 60)


def test_a_new_alert_a_changed_one_and_the_end_of_a_trip_do_not_wait() -> None:
    findings = Findings(HOLD_MS)
    findings.add(Changes(openings=(opening(1),)), 0)
    assert findings.add(Changes(alerts=(alert(),)), 1) and findings.due(1)
    assert len(findings.take().openings) == 1  # what waited goes along
    assert not findings.add(Changes(alerts=(alert(seen=4),)), 2)  # only counted on
    assert not findings.due(2)
    assert findings.add(Changes(alerts=(alert(AlertState.CLEARED),)), 3)
    findings.take()
    assert findings.add(Changes(trips=(trip(False),)), 4) and findings.due(4)


class Standing(LogClock):
    """A clock that only moves when told to."""

    at_ms = 1_000_000

    def now_ms(self) -> int:
        return self.at_ms


class Rig:
    """The commits of a recorder without the rest of it; ``took_ms`` is how long each takes."""

    def __init__(self, path: Path, took_ms: int = 0) -> None:
        self.clock = Standing(0)
        self.archive = Archive.open(path)
        self.archive.begin_boot("boot", 0, self.clock.at_ms, True)
        self.trouble: SootsayerError | None = None
        self.told = 0
        self.took_ms = took_ms
        self.fed = 0
        self._commit = self.archive.commit
        self.archive.commit = self._slowly  # type: ignore[method-assign]
        self.commits = Committing(
            self.archive, SETTINGS.recorder, self.clock, Health(path, {}, 0),
            Keeping(self.archive, SETTINGS.retention, 0), Judging(None, iter(())),  # type: ignore[arg-type]
            self.feed, self.tell,
        )  # fmt: skip
        self.commits._judging.failed = True  # no rules here

    def _slowly(self) -> None:
        self.clock.at_ms += self.took_ms
        if self.trouble:
            raise self.trouble
        self._commit()

    def feed(self) -> None:
        self.fed += 1

    def tell(self) -> None:
        self.told += 1
        self.commits.unsaved(self.clock.at_ms)

    def turn(self) -> bool:
        """Wait as the session does; whether a commit was due."""
        wait_s = min(SETTINGS.recorder.batch_s, max(0.0, self.commits.left_s()))
        self.clock.at_ms += round(wait_s * 1000)
        return self.commits.due()


@pytest.mark.parametrize("took_ms", [0, 30, 90, 300])
def test_no_reading_is_older_than_promised_when_it_is_durable(tmp_path: Path, took_ms: int) -> None:
    """Readings come all the time; the last lateness_s of them waits in the builder."""
    rig = Rig(tmp_path / "a.db", took_ms)
    lateness_ms = round(SETTINGS.recorder.lateness_s * 1000)
    oldest_ms = rig.clock.at_ms
    rig.commits.unsaved(oldest_ms)
    ages_ms, started_ms = [], rig.clock.at_ms
    for _ in range(40):
        while not rig.turn():
            pass
        stored_ms = rig.clock.at_ms - lateness_ms
        rig.commits.commit(stored_ms, rig.clock.at_ms)
        ages_ms.append(rig.clock.at_ms - oldest_ms)
        oldest_ms = stored_ms
    promise_ms = SETTINGS.recorder.commit_s * 1000
    assert max(ages_ms[1:]) <= promise_ms  # the first tells how long this card takes
    # … and not needlessly early: what is neither lateness nor the commit itself is waited out.
    wanted_ms = promise_ms - lateness_ms - max(50, took_ms)
    assert (rig.clock.at_ms - started_ms) / 40 >= wanted_ms - 20
    rig.archive.close()


def test_a_disk_that_refuses_is_asked_once_a_turn_and_told_once(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.trouble = SootsayerError("full")
    rig.commits.unsaved(rig.clock.at_ms)
    tries, began_ms = 0, rig.clock.at_ms
    while tries < 20:
        if rig.turn():
            rig.commits.commit(rig.clock.at_ms, rig.clock.at_ms)
            tries += 1
    assert rig.clock.at_ms - began_ms >= 19 * SETTINGS.recorder.batch_s * 1000
    assert rig.told == 1
    assert rig.fed == tries  # a restart would mend no disk, but lose what waits
    rig.trouble = None
    while not rig.turn():
        pass
    rig.commits.commit(rig.clock.at_ms, rig.clock.at_ms)
    assert rig.told == 2
    rig.archive.close()


def test_settings_that_cannot_be_kept_do_not_commit_without_end(tmp_path: Path) -> None:
    odd = dataclasses.replace(SETTINGS.recorder, commit_s=0.5, lateness_s=5.0)
    rig = Rig(tmp_path / "a.db")
    rig.commits._settings = odd
    rig.commits.unsaved(rig.clock.at_ms - 5_000)
    began_ms, commits = rig.clock.at_ms, 0
    while rig.clock.at_ms < began_ms + 10_000:
        if rig.turn():
            rig.commits.commit(rig.clock.at_ms - 5_000, rig.clock.at_ms)
            commits += 1
    assert commits <= 10_000 / (odd.batch_s * 1000) + 1
    rig.archive.close()
