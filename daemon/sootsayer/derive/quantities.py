"""From a car's channels to the quantities the rules speak of, whatever the car calls them.

Everything here is a column of 20 values, NaN where not known. States are three-valued columns:
1 true, 0 false, NaN unknown; unknown is never eligible.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES, FRAME_S, Block
from sootsayer.derive.keep import Kept
from sootsayer.derive.states import RUNNING_RPM, States
from sootsayer.model import BoolArray, FloatArray, IntArray
from sootsayer.vehicle import Vehicle

HISTORY_FRAMES = 8  # four seconds of memory across the block's edge, enough for every trailing look
EGR_ERR_FULL_PCT = 99.0  # raw FF reads 99.2 %: saturated, not a ratio (SAE J1979 PID 2D)
# Some cars report 4–5 % when shut; one that never commands less than 8 % never shuts the valve.
SHUT_MOST_PCT = 8.0
SPINDOWN_RPM = 500.0  # below this the engine is starting or dying: gas fractions mean nothing
# Of throttle and command in points, of pressure in kPa, in the order of ``Reader.TRAILING``.
SETTLED_WITHIN = np.array([2.0, 4.0, 3.0])[:, None]


def below(column: FloatArray, limit: float) -> FloatArray:
    """Three-valued ``column < limit``."""
    return np.where(np.isnan(column), np.nan, (column < limit).astype(float))


def any_of(columns: Iterable[FloatArray]) -> FloatArray:
    """Three-valued or: true where any is true, else unknown where any is unknown."""
    stacked = np.array(list(columns))
    true = (stacked == 1).any(axis=0)
    unknown = np.isnan(stacked).any(axis=0)
    return np.where(true, 1.0, np.where(unknown, np.nan, 0.0))


def spread(extended: FloatArray, frames: int) -> FloatArray:
    """Greatest minus least over the last ``frames`` frames, for each frame of the block.

    ``extended``: history plus block, in one row or several. NaN where any frame in the look is
    unknown.
    """
    windows = extended[..., _look(frames, extended.shape[-1])]
    moved: FloatArray = windows.max(axis=-2) - windows.min(axis=-2)
    return moved


@lru_cache(maxsize=64)
def _look(frames: int, length: int) -> IntArray:
    """Where the look of each of the block's frames lies, shape (frames, 20)."""
    newest = np.arange(length - BLOCK_FRAMES, length)
    return newest - np.arange(frames)[::-1, None]


@dataclass(frozen=True, slots=True)
class Quantities:
    """One block in the trade's words. ``states`` holds the running states by name.

    asked: command above the car's own shut value, points · moved: the same for the position ·
    actual: position as the car gives it, % · not_shut: 1 where the car says "not shut" without
    a figure · settled: nothing has moved for two seconds.
    """

    block: Block
    rpm: FloatArray
    speed: FloatArray
    throttle: FloatArray
    map: FloatArray
    maf: FloatArray
    iat: FloatArray
    ect: FloatArray
    baro: FloatArray
    command: FloatArray
    asked: FloatArray
    actual: FloatArray
    moved: FloatArray
    not_shut: FloatArray
    settled: BoolArray
    states: dict[str, FloatArray]

    def running(self) -> BoolArray:
        running: BoolArray = self.states["running"] == 1
        return running

    def trim_pct(self) -> FloatArray:
        """What fuel control adds, short and long term together; NaN where not told."""
        trim: FloatArray = self.block.column("shrtft1") + self.block.column("longft1")
        return trim


class Places(Kept):
    """Where this car's throttle and recirculation command come to rest, learned while running.

    A histogram of seconds over raw steps of 100/255 %: the resting place is the lowest step
    that holds a little of the time, so neither a single glitch nor a rare excursion sets it.
    """

    kept = ("seconds", "lowest_pct", "highest_pct")

    STEP_PCT = 100 / 255

    def __init__(self, least_share: float, least_s: float) -> None:
        self.seconds = np.zeros(256)
        self.lowest_pct = float("nan")
        self.highest_pct = float("nan")
        self._least_share = least_share
        self._least_s = least_s
        self._rest_pct: float | None = None  # None: to be found anew

    def recall(self, state: dict[str, Any]) -> None:
        super().recall(state)
        self._rest_pct = None

    def learn(self, column: FloatArray, running: BoolArray) -> None:
        values = column[running & ~np.isnan(column)]
        if not len(values):
            return
        steps = np.minimum(np.maximum(np.rint(values / self.STEP_PCT), 0), 255).astype(np.int64)
        np.add.at(self.seconds, steps, FRAME_S)
        self.lowest_pct = float(np.fmin(self.lowest_pct, values.min()))
        self.highest_pct = float(np.fmax(self.highest_pct, values.max()))
        self._rest_pct = None

    def rest_pct(self) -> float:
        """The resting place in %, NaN before anything was seen."""
        if self._rest_pct is None:
            self._rest_pct = self._find_rest_pct()
        return self._rest_pct

    def _find_rest_pct(self) -> float:
        summed = np.cumsum(self.seconds)  # of halves, so exact
        wanted_s = max(self._least_s, self._least_share * float(summed[-1]))
        step = int(np.searchsorted(summed, wanted_s))
        return step * self.STEP_PCT if step < len(summed) else self.lowest_pct


class Reader(Kept):
    """Turns blocks into quantities; remembers the car's resting places and the last seconds."""

    kept = ("throttle_places", "pedal_places", "command_places", "history", "moving_frames",
            "moving_equal_frames", "has")  # fmt: skip

    TRAILING = ("rpm", "throttle", "map", "command")
    COUNTED = ("rpm", "speed", "throttle", "map", "maf", "iat", "ect", "command", "actual")

    def __init__(self, vehicle: Vehicle) -> None:
        self._vehicle = vehicle
        self.throttle_places = Places(least_share=0.01, least_s=5.0)
        self.pedal_places = Places(least_share=0.01, least_s=5.0)
        self.command_places = Places(least_share=0.02, least_s=10.0)
        self.history = np.full((len(self.TRAILING), HISTORY_FRAMES), np.nan)
        self.moving_frames = 0  # frames in which the command was just moving …
        self.moving_equal_frames = 0  # … and the position was equal to it to the last step
        self.has: dict[str, int] = {}  # frames in which a quantity was known
        self._states = States(vehicle.warm_c)

    def shut_pct(self) -> float:
        """What this car's command reads when the valve is to be shut."""
        if self._vehicle.shut_pct is not None:
            return self._vehicle.shut_pct
        return min(self.command_places.rest_pct(), SHUT_MOST_PCT)

    def echoes(self) -> bool:
        """Whether the control unit merely repeats its command as position.

        A real valve lags: at least a few frames in which the command moves must show it.
        """
        return self.moving_frames >= 40 and self.moving_equal_frames >= 0.98 * self.moving_frames

    def read(self, block: Block) -> Quantities:
        rpm, speed = block.column("rpm"), block.column("vss")
        throttle = block.column("tp")
        command = _first(block, "egr_pct", "egr_a_cmd")
        actual, not_shut = _position(block, command)
        if not block.contiguous:
            self.history[:] = np.nan
        running = rpm > RUNNING_RPM
        self.throttle_places.learn(throttle, running)
        self.pedal_places.learn(block.column("app_d"), running)
        self.command_places.learn(command, running)
        # Until it has run for the first time nothing is asked for: it may be stuck open too far to.
        place = self.shut_pct()
        shut = 0.0 if math.isnan(place) else place
        map_kpa = _first(block, "map", "map_a")
        trailing = np.array([rpm, throttle, map_kpa, command])
        extended = np.concatenate([self.history, trailing], axis=1)
        self.history = extended[:, -HISTORY_FRAMES:]
        error = _first(block, "egr_err", "egr_a_err")
        self._watch_echo(extended[3], command, actual, error)
        quantities = Quantities(
            block=block, rpm=rpm, speed=speed, throttle=throttle,
            map=map_kpa, maf=_first(block, "maf", "mafa"),
            iat=_first(block, "iat", "iat11"), ect=_first(block, "ect", "ect1"),
            baro=block.column("baro"), command=command, asked=command - shut,
            actual=actual, moved=actual - shut, not_shut=not_shut,
            settled=_settled(extended, _look_frames(block)),
            states=self._states_of(block, rpm, speed, throttle),
        )  # fmt: skip
        self._count_known(quantities)
        return quantities

    def _count_known(self, q: Quantities) -> None:
        columns = np.array([getattr(q, name) for name in self.COUNTED])
        for name, unknown in zip(self.COUNTED, np.isnan(columns).sum(axis=1).tolist(), strict=True):
            self.has[name] = self.has.get(name, 0) + BLOCK_FRAMES - unknown
        # "Not shut" tells of the valve's place, too, if never more is said of it.
        self.has["actual"] += int(np.count_nonzero((q.not_shut == 1) & np.isnan(q.actual)))

    def _watch_echo(
        self, trailing: FloatArray, command: FloatArray, actual: FloatArray, error: FloatArray
    ) -> None:
        moving = (spread(trailing, 3) > 2.0) & ~np.isnan(actual)
        self.moving_frames += int(np.count_nonzero(moving))
        # Where shut is commanded as 4.7 and repeated as 0, a frame in which the valve shuts is
        # a mean of both; the error of nothing, whatever the command does, tells it all the same.
        equal = (np.abs(actual - command) < 0.05) | (error == 0.0)
        self.moving_equal_frames += int(np.count_nonzero(equal[moving]))

    def _states_of(
        self, block: Block, rpm: FloatArray, speed: FloatArray, throttle: FloatArray
    ) -> dict[str, FloatArray]:
        part, shut = self._throttle_part(throttle), self._throttle_shut(block, throttle)
        drive = block.column("n_d_stat")
        return self._states.of(rpm, speed, _first(block, "ect", "ect1"), part, shut, drive)

    def _throttle_part(self, throttle: FloatArray) -> FloatArray:
        """Share of this car's own throttle span, 0 at its resting place."""
        rest = self.throttle_places.rest_pct()
        highest = self.throttle_places.highest_pct
        full = max(80.0, highest) if highest == highest else 80.0
        return (throttle - rest) / (full - rest)

    def _throttle_shut(self, block: Block, throttle: FloatArray) -> FloatArray:
        """Foot off: by the pedal where the car tells it, else by the throttle's place.

        With the idle speed held by the throttle itself the plate rests lower on overrun than at
        idle, so the plate alone is given three points of room.
        """
        by_plate = below(throttle, self.throttle_places.rest_pct() + 3.0)
        if "app_d" not in block.columns:
            return by_plate
        by_pedal = below(block.columns["app_d"], self.pedal_places.rest_pct() + 2.0)
        return np.where(np.isnan(by_pedal), by_plate, by_pedal)


def _first(block: Block, *channels: str) -> FloatArray:
    """The first of these channels that the car gives in this block."""
    for channel in channels:
        if channel in block.columns:
            return block.columns[channel]
    return block.column(channels[0])


def _position(block: Block, command: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Measured opening in % and the "not shut" flag.

    Rebuilt from commanded EGR and EGR error where no position is given: actual =
    command·(1 + error/100) (SAE J1979 PIDs 2C, 2D). At a command of nothing the error is either
    0 (shut) or full scale (not shut); neither is a ratio.
    """
    error = _first(block, "egr_err", "egr_a_err")
    full = error >= EGR_ERR_FULL_PCT
    asked = command > 0.5
    if "egr_a_act" in block.columns:
        actual = block.columns["egr_a_act"]
    else:
        rebuilt = np.where(asked, command * (1 + error / 100), np.where(error == 0, 0.0, np.nan))
        actual = np.where(np.isnan(error), np.nan, rebuilt)
    known = ~np.isnan(error) & ~np.isnan(command)
    not_shut = np.where(known, (full & ~asked).astype(float), np.nan)
    return actual, not_shut


def _look_frames(block: Block) -> int:
    """How far back "settled" looks: two seconds, more where a channel is polled slowly."""
    slowest_s = max(
        (block.periods_s.get(c, 0.0) for c in ("rpm", "map", "map_a", "maf", "tp")), default=0
    )
    return int(min(HISTORY_FRAMES + 1, max(5, np.ceil(2 * slowest_s / FRAME_S) + 1)))


def _settled(extended: FloatArray, frames: int) -> BoolArray:
    """No gear or throttle move for two seconds; unknown channels do not hinder, rpm must be known.

    Limits are common practice: wider than sensor noise, narrower than a driver's foot.
    """
    moved = spread(extended, frames)
    rpm = extended[0][-BLOCK_FRAMES:]
    calm: BoolArray = moved[0] < np.maximum(70.0, 0.05 * rpm)
    calm &= ~(moved[1:] >= SETTLED_WITHIN).any(axis=0)
    return calm
