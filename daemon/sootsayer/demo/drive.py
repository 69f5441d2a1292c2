"""Roads, and drivers who follow them.

A road is what the driver wants, second by second: speed, slope, key and selector. The driver is a
person: looks ahead, holds the pedal still while the speed is about right, lifts now and then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sootsayer.demo.cars import STEP_S, Cars, Controls
from sootsayer.demo.driveline import KEPT_BY_GEARS
from sootsayer.demo.engine_control import REST_RAD
from sootsayer.model import BoolArray, FloatArray

LOOK_STEPS = 2
LOOK_S = LOOK_STEPS * STEP_S
# What a driver has learned of such a car without knowing it.
WHEEL_M = 0.31
LOSS_NM = 30.0  # friction and pumping
FULL_NM = 225.0  # with these
PLATE_PER_RPM = 5.0e-5  # of the throttle's area for a full cylinder at one turn a minute

LIFT_M_S2 = 0.7  # how fast a car slows in gear with the foot off


@dataclass(frozen=True, slots=True)
class Road:
    """One second a row; all float64 of shape (seconds,)."""

    speed_km_h: FloatArray
    slope: FloatArray
    ignition: FloatArray  # 1: key on
    run: FloatArray  # 1: the driver wants the engine running
    engaged: FloatArray  # 1: selector in drive

    @property
    def seconds(self) -> int:
        return len(self.speed_km_h)

    def columns(self) -> FloatArray:
        """The road as one array of shape (seconds, 5)."""
        rows = (self.speed_km_h, self.slope, self.ignition, self.run, self.engaged)
        return np.stack(rows, axis=1)


class RoadBuilder:
    """Lays a road piece by piece; the same generator state gives the same road."""

    def __init__(self, draw: np.random.Generator) -> None:
        self._draw = draw
        self._speed: list[float] = []
        self._slope: list[float] = []
        self._key: list[tuple[float, float, float]] = []
        self._now = 0.0
        self._hill = 0.0
        self.hilly = 0.008  # one standard deviation of the slope

    # ------------------------------------------------------------ pieces

    def stand(self, seconds: float, ignition: float, run: float, engaged: float) -> None:
        """Stand still with the key and selector so."""
        self._now = 0.0
        for _ in range(max(1, round(seconds))):
            self._lay(0.0, (ignition, run, engaged))

    def start_engine(self) -> None:
        """Key on, look at the lamps, start, belt on, selector in drive."""
        self.stand(3, 1.0, 0.0, 0.0)
        self.stand(self._draw.uniform(8, 20), 1.0, 1.0, 0.0)
        self.stand(2, 1.0, 1.0, 1.0)

    def park(self) -> None:
        """Stop, selector in park, key off."""
        self.slow_to(0.0, 1.3)
        self.stand(4, 1.0, 1.0, 1.0)
        self.stand(self._draw.uniform(3, 10), 1.0, 1.0, 0.0)
        self.stand(6, 0.0, 0.0, 0.0)

    def wait(self, seconds: float) -> None:
        """Stand in drive with the foot on the brake, as at lights."""
        self.slow_to(0.0, self._draw.uniform(1.1, 1.8))
        self.stand(seconds, 1.0, 1.0, 1.0)

    def go(self, km_h: float, hold_s: float) -> None:
        """Reach a speed as one does in traffic, then hold it, wandering a little."""
        if km_h < self._now:
            self.slow_to(km_h, self._draw.uniform(0.5, 1.2))
        pull = self._draw.uniform(0.9, 1.7)
        while self._now < km_h - 0.5:
            fading = pull * (1.15 - 0.75 * min(self._now / 130.0, 1.0))
            self._drive(min(km_h, self._now + 3.6 * fading))
        wander = 0.0
        for _ in range(round(hold_s)):
            wander += -wander / 14.0 + self._draw.normal(0.0, 0.45)
            self._drive(max(km_h + wander, 5.0))
        self._now = self._speed[-1]

    def slow_to(self, km_h: float, brake_m_s2: float) -> None:
        while self._now > km_h + 0.5:
            self._drive(max(km_h, self._now - 3.6 * brake_m_s2))
        self._now = km_h

    def lift(self, km_h: float) -> None:
        """Foot off until so much slower, then on again."""
        self.slow_to(max(self._now - km_h, 12.0), LIFT_M_S2)

    # ------------------------------------------------------------ stretches

    def town(self, minutes: float) -> None:
        until = len(self._speed) + round(minutes * 60)
        self.hilly = 0.008
        while len(self._speed) < until:
            self.go(self._draw.uniform(32, 56), self._draw.uniform(12, 40))
            if self._draw.random() < 0.45:
                self.wait(self._draw.uniform(6, 38))
            else:
                self.lift(self._draw.uniform(12, 26))

    def suburb(self, minutes: float) -> None:
        until = len(self._speed) + round(minutes * 60)
        self.hilly = 0.012
        while len(self._speed) < until:
            self.go(self._draw.uniform(55, 84), self._draw.uniform(25, 75))
            if self._draw.random() < 0.2:
                self.wait(self._draw.uniform(6, 25))
            elif self._draw.random() < 0.7:
                self.lift(self._draw.uniform(8, 25))

    def highway(self, minutes: float) -> None:
        until = len(self._speed) + round(minutes * 60)
        self.hilly = 0.010
        while len(self._speed) < until:
            self.go(self._draw.uniform(92, 118), self._draw.uniform(35, 100))
            if self._draw.random() < 0.75:
                self.lift(self._draw.uniform(6, 18))

    def hills(self, minutes: float) -> None:
        self.suburb_with(minutes, 0.035)

    def suburb_with(self, minutes: float, hilly: float) -> None:
        until = len(self._speed) + round(minutes * 60)
        self.hilly = hilly
        while len(self._speed) < until:
            self.go(self._draw.uniform(50, 76), self._draw.uniform(20, 50))
            if self._draw.random() < 0.7:
                self.lift(self._draw.uniform(8, 22))

    def road(self) -> Road:
        key = np.array(self._key)
        return Road(
            _eased(np.array(self._speed)), np.array(self._slope), key[:, 0], key[:, 1], key[:, 2]
        )

    def _drive(self, km_h: float) -> None:
        self._now = km_h
        self._lay(km_h, (1.0, 1.0, 1.0))

    def _lay(self, km_h: float, key: tuple[float, float, float]) -> None:
        still = 1.0 if km_h > 1.0 else 0.0
        self._hill += (-self._hill / 25.0 + self._draw.normal(0.0, self.hilly * 0.28)) * still
        self._hill = min(max(self._hill, -0.07), 0.07)
        self._speed.append(km_h)
        self._slope.append(self._hill * still)
        self._key.append(key)


def _eased(speed_km_h: FloatArray) -> FloatArray:
    """Speeds without corners, as a person's foot gives them; standing stays standing."""
    window = np.array([1.0, 2.0, 3.0, 2.0, 1.0]) / 9.0
    eased: FloatArray = np.convolve(np.pad(speed_km_h, 2, mode="edge"), window, mode="valid")
    return np.where(speed_km_h > 0.0, eased, 0.0)


def commute(seed: int, minutes: float = 25.0, homeward: bool = False) -> Road:
    """A cold or warm start, town, suburb, highway and some hills, and parking at the end."""
    builder = RoadBuilder(np.random.default_rng([seed, 0x40AD]))
    builder.start_engine()
    parts = [(builder.town, 0.2), (builder.suburb, 0.25), (builder.highway, 0.33),
             (builder.hills, 0.1), (builder.town, 0.12)]  # fmt: skip
    if homeward:
        parts.reverse()
    for stretch, part in parts:
        stretch(minutes * part)
    builder.park()
    return builder.road()


def errand(seed: int, minutes: float = 14.0) -> Road:
    """Town and suburb only."""
    builder = RoadBuilder(np.random.default_rng([seed, 0xE22]))
    builder.start_engine()
    builder.town(minutes * 0.4)
    builder.suburb(minutes * 0.35)
    builder.town(minutes * 0.25)
    builder.park()
    return builder.road()


class Drivers:
    """Drivers of n cars, each on a road; shorter roads end with the key off."""

    def __init__(self, cars: Cars, roads: Sequence[Road]) -> None:
        self._cars = cars
        longest = max(road.seconds for road in roads) + 4
        plan = np.zeros((longest, 5, len(roads)))
        for car, road in enumerate(roads):
            plan[: road.seconds, :, car] = road.columns()
        self._plan = plan
        self._pedal = np.zeros(len(roads))
        self._held = np.zeros(len(roads))
        self._sum = np.zeros(len(roads))
        self._last: Controls | None = None
        self._per_brake_n = cars.driveline.braking_n

    @property
    def seconds(self) -> int:
        """Length of the longest road."""
        return len(self._plan) - 4

    def onward(self, road: Road) -> Drivers:
        """The same single driver, foot and all, on the next road."""
        following = Drivers(self._cars, [road])
        following._pedal, following._held, following._sum = self._pedal, self._held, self._sum
        return following

    def controls(self, step: int) -> Controls:
        """What the drivers do in one step; they look five times a second."""
        if step % LOOK_STEPS == 0 or self._last is None:
            self._last = self._look(step)
        return self._last

    def _look(self, step: int) -> Controls:
        second, tenth = divmod(step, round(1 / STEP_S))
        part = tenth * STEP_S
        row, soon, later = self._plan[second], self._plan[second + 1], self._plan[second + 3]
        wanted = (row[0] + (soon[0] - row[0]) * part) / 3.6
        accel = (later[0] - row[0]) / (3.0 * 3.6)
        driveline = self._cars.driveline
        slope, engaged = row[1], row[4] > 0.5
        error = wanted - driveline.speed_m_s
        moves = engaged & ((later[0] > 1.0) | (wanted > 1.5))
        going = moves & self._cars.running
        self._sum = self._sum + 0.02 * LOOK_S * error
        self._sum = np.minimum(np.maximum(self._sum, -0.3), 0.3) * going
        need_n = driveline.needed_n(accel + 0.28 * error + self._sum, slope)
        self._push(need_n, going)
        hard = (accel < -0.85) | (error < -2.2)
        brake = np.minimum(np.maximum(-need_n / self._per_brake_n, 0.0), 0.8) * hard
        return Controls(
            pedal=self._pedal,
            brake=np.where(going, brake, 0.45),
            ignition=row[2] > 0.5,
            run=row[3] > 0.5,
            engaged=engaged,
            slope=slope,
        )

    def _push(self, need_n: FloatArray, going: BoolArray) -> None:
        """Turn a wanted force into a pedal that is moved only when it is clearly off."""
        driveline = self._cars.driveline
        torque = need_n * (WHEEL_M / KEPT_BY_GEARS) / driveline.overall() + LOSS_NM
        full = np.maximum(np.minimum(torque / FULL_NM, 0.97), 0.05)
        high = np.maximum(full - 0.53, 0.0) / 0.47
        flow = full * np.maximum(driveline.rpm, 900.0) / np.sqrt(1.0 - high * high)
        plate = np.minimum(flow * PLATE_PER_RPM, 1.0)
        pedal = (np.arccos((1.0 - plate) * np.cos(REST_RAD)) - REST_RAD) / (np.pi / 2 - REST_RAD)
        pedal = pedal * (going & (need_n > 0.0))
        moved = np.abs(pedal - self._held) > 0.02 + 0.06 * self._held
        self._held = np.where(moved | (pedal <= 0.0), pedal, self._held)
        pedal = self._pedal + (self._held - self._pedal) * (LOOK_S / 0.4)
        self._pedal = pedal * (pedal > 0.004)
