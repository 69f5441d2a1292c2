"""How the valve answers a command that moves all the time: lag, and standing still.

Few control units give clean steps; most let the command follow load. So movement is taken in
stretches of half a minute at most, each beginning with an opening or where the last one ended.
Of each is asked with which first-order lag the position follows, and whether it stood still
while the command went away, then let go and jumped. Works on half-second frames; readings a
second apart will do, since a still valve is still however seldom one looks.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sootsayer.derive.edges import OPEN_POINTS, SHUT_POINTS
from sootsayer.derive.frames import FRAME_MS, FRAME_S
from sootsayer.derive.keep import Kept
from sootsayer.derive.lag import lag_of
from sootsayer.derive.quantities import Quantities

LEAD = 16  # frames before a stretch, with which a lag comes to its own
LONGEST = 60  # half a minute
SHUT_FRAMES = 6  # so long is looked after a closing
SWING_POINTS = 10.0  # of command; less is lost in the sensor's grain
AWAY_POINTS = 8.0  # of command from where the valve stands (rule M4)
STILL_POINTS = 2.0
# A single frame elsewhere is no movement: where position is told as a share of the command, the
# means of both over a frame in which the command leaps make a place where the valve never was.
GONE_FRAMES = 2
OFF_STOP_POINTS = 5.0
AWAY_LEAST = 3  # frames, so more than a whole second; more where readings are farther apart
STANDS_MOST = 60  # frames: a valve that stands for half a minute and more is stuck, not sticky
LONG_S = 3600.0  # stands for a rest whose begin was not seen
JUMP_FRAMES = 4  # two seconds from letting go
JUMP_SHARE = 0.5  # of the way to the command; one that creeps is no jump


@dataclass(frozen=True, slots=True)
class Answer:
    """One stretch in which the command moved. ``t90_s``: nine tenths of the way by its lag,
    ``t90_least_s`` what it surely is not below; None where position does not follow by a lag.
    ``rested_s``: not asked open before it as far as was seen, with the engine off, too; hardly
    anything where it goes on from the last stretch.
    ``late_points``, ``late_s``: how far and how long the command was away when a standing valve
    let go and jumped; 0 where it never stood. ``unmoved_points``, ``unmoved_s``: the same of a
    valve that stood shut until the command was. ``period_s`` between readings."""

    start_ms: int
    end_ms: int
    t90_s: float | None
    t90_least_s: float | None
    late_points: float
    late_s: float
    unmoved_points: float
    unmoved_s: float
    period_s: float
    rested_s: float
    context: Mapping[str, float]


class Standing(Kept):
    """Whether the valve stands while its command goes away, frame by frame."""

    kept = ("place", "origin", "frames", "points", "broke", "late", "unmoved", "gone")

    def __init__(self) -> None:
        self.late = [0.0, 0.0]  # worst of the stretch: points and seconds
        self.unmoved = [0.0, 0.0]  # likewise
        self.forget()

    def forget(self) -> None:
        """What is known of the valve's place ends here."""
        self.place: float | None = None
        self.origin = 0.0  # the command there
        self.frames = 0  # with the command away from it
        self.points = 0.0  # how far, at most
        self.gone = 0  # frames in a row elsewhere
        self.broke: list[float] = []  # [frames since it let go, place, origin, points, frames]

    def take(self) -> tuple[float, float, float, float]:
        """The stretch's worst as points and seconds, late and unmoved, and begin anew."""
        late, unmoved = self.late, self.unmoved
        self.late, self.unmoved = [0.0, 0.0], [0.0, 0.0]
        return late[0], late[1], unmoved[0], unmoved[1]

    def step(self, asked: float, moved: float, least_frames: int) -> None:
        if math.isnan(moved):
            return
        if self.broke:
            self._jump(asked, moved)
        if self.place is None:
            self._stand(asked, moved)
            return
        if abs(moved - self.place) > STILL_POINTS:
            self.gone += 1
            if self.gone < GONE_FRAMES:
                return
            if least_frames <= self.frames < STANDS_MOST:
                self.broke = [0.0, self.place, self.origin, self.points, float(self.frames)]
                self._jump(asked, moved)
            self._stand(asked, moved)
            return
        self.gone = 0
        away = abs(asked - self.origin)
        if away > AWAY_POINTS:
            self.frames += 1
            self.points = max(self.points, away)
        elif self.place < OFF_STOP_POINTS:
            # Asked shut again without having moved at all: stuck in that opening, not sticky.
            if self.frames >= least_frames:
                self.unmoved = max(self.unmoved, [self.points, self.frames * FRAME_S])
            self._stand(asked, moved)

    def _stand(self, asked: float, moved: float) -> None:
        self.place, self.origin, self.frames, self.points = moved, asked, 0, 0.0
        self.gone = 0

    def _jump(self, asked: float, moved: float) -> None:
        since, place, origin, points, frames = self.broke
        if abs(moved - place) >= JUMP_SHARE * max(abs(asked - origin), AWAY_POINTS):
            self.late = max(self.late, [points, frames * FRAME_S])
            self.broke = []
        else:
            self.broke[0] = since + 1
            if since + 1 >= JUMP_FRAMES:
                self.broke = []


class Answers(Kept):
    """Collects stretches with a moving command while the position is known."""

    kept = ("lead", "frames", "ahead", "start_ms", "shut", "asked_ms", "rested_s", "context",
            "standing")  # fmt: skip

    def __init__(self) -> None:
        self.lead: deque[list[float]] = deque(maxlen=LEAD)  # [asked, moved] before a stretch
        self.frames: list[list[float]] = []  # of the stretch, its lead first
        self.ahead = 0  # frames of lead among them
        self.start_ms: int | None = None
        self.shut = 0  # frames in a row asked shut
        self.asked_ms: int | None = None  # when it was last asked open
        self.rested_s = 0.0  # before this one
        self.context: dict[str, float] = {}
        self.standing = Standing()

    def step(self, q: Quantities, position_counts: bool, context: Mapping[str, float]) -> (
        list[Answer]
    ):  # fmt: skip
        """Stretches that ended in this block."""
        done: list[Answer | None] = []
        if not q.block.contiguous or not position_counts:
            done.append(self._close(q.block.start_ms, period_s(q)))
            self._forget()
        asked = np.where(q.running(), q.asked, np.nan)
        if not position_counts:
            return []
        if self.start_ms is None and not (asked > OPEN_POINTS).any():
            self.lead.extend(np.column_stack([asked, q.moved])[-LEAD:].tolist())
        else:
            done += self._walk(q, asked.tolist(), dict(context))
        return [answer for answer in done if answer is not None]

    def _walk(
        self, q: Quantities, asked: list[float], context: dict[str, float]
    ) -> list[Answer | None]:
        done: list[Answer | None] = []
        every_s = period_s(q)
        least_frames = AWAY_LEAST + max(0, math.floor(every_s / FRAME_S) - 1)
        for index, (wanted, moved) in enumerate(zip(asked, q.moved.tolist(), strict=True)):
            end_ms = q.block.start_ms + (index + 1) * FRAME_MS
            if math.isnan(wanted):
                done.append(self._close(end_ms - FRAME_MS, every_s))
                self._forget()
                continue
            if self.start_ms is None:
                if wanted <= OPEN_POINTS:
                    self.lead.append([wanted, moved])
                    continue
                self._begin(end_ms - FRAME_MS, context)
            self.frames.append([wanted, moved])
            self.standing.step(wanted, moved, least_frames)
            self.shut = self.shut + 1 if wanted < SHUT_POINTS else 0
            if not self.shut:
                self.asked_ms = end_ms
            if self.shut >= SHUT_FRAMES or len(self.frames) - self.ahead >= LONGEST:
                done.append(self._close(end_ms, every_s))
        return done

    def _begin(self, start_ms: int, context: dict[str, float]) -> None:
        self.start_ms, self.context = start_ms, context
        # One not asked before was shut since the recording began, and before it the engine stood.
        self.rested_s = LONG_S if self.asked_ms is None else (start_ms - self.asked_ms) / 1000
        self.frames = list(self.lead)
        self.ahead = len(self.frames)
        if self.frames and self.shut == 0 and self.standing.place is None:
            asked, moved = self.frames[-1]
            self.standing.step(asked, moved, AWAY_LEAST)

    def _close(self, end_ms: int, every_s: float) -> Answer | None:
        start_ms, frames, ahead = self.start_ms, self.frames, self.ahead
        self.start_ms, self.frames, self.ahead = None, [], 0
        if start_ms is None:
            return None
        self.lead.clear()
        self.lead.extend(frames[-LEAD:])
        if self.shut:  # it came home or not: the next opening begins with where it stands then
            self.standing.forget()
            self.shut = 0
        worst = self.standing.take()
        late_points = worst[0]
        look = np.array(frames[max(0, ahead - 4) :])
        if np.ptp(look[:, 0]) < SWING_POINTS and not late_points:
            return None
        lag = None if late_points else lag_of(np.array(frames), ahead)
        t90_s, least_s = lag or (None, None)
        return Answer(
            start_ms, end_ms, t90_s, least_s, *worst, every_s, self.rested_s, self.context
        )  # fmt: skip

    def _forget(self) -> None:
        self.lead.clear()
        self.shut = 0
        self.standing.forget()
        self.standing.take()


def period_s(q: Quantities) -> float:
    """How far apart the readings of command and position are."""
    channels: tuple[str, ...] = ("egr_pct", "egr_a_cmd", "egr_err", "egr_a_err", "egr_a_act")
    return max((q.block.periods_s.get(channel, 0.0) for channel in channels), default=0.0)
