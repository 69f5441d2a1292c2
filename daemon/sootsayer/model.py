"""The values that travel through the program. All frozen, no behaviour beyond reading them.

Time everywhere is *log time*: whole milliseconds on one axis that never runs backward over
the life of an archive. Within one boot it is CLOCK_BOOTTIME plus a fixed offset; at the first
boot the offset makes it equal to Unix time if the clock was right. What the wall clock really
said is kept apart as anchors and may be corrected later, so nothing is ever sorted by it.
Intervals are ``start < t <= end``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


class Link(StrEnum):
    """The five questions, in the order in which a fault travels."""

    PERMIT = "permit"
    ASK = "ask"
    MOVE = "move"
    FLOW = "flow"
    EFFECT = "effect"


class Gas(StrEnum):
    """What a rule that trips says of gas: missing where it is due, or there unasked."""

    MISSING = "missing"
    UNASKED = "unasked"


class LinkState(StrEnum):
    HOLDING = "holding"
    DOUBTFUL = "doubtful"
    BROKEN = "broken"
    UNSEEN = "unseen"


class AlertState(StrEnum):
    OPEN = "open"
    CLEARED = "cleared"


class CodeStatus(StrEnum):
    PENDING = "pending"
    CONFIRMED = "confirmed"
    PERMANENT = "permanent"


class SourceState(StrEnum):
    """What a source of readings is doing."""

    CONNECTING = "connecting"
    READING = "reading"
    SILENT = "silent"  # the adapter answers, the car does not
    KEY_OFF = "key off"  # we stopped asking so that control units can sleep
    UNPLUGGED = "unplugged"


# ---------------------------------------------------------------- readings


@dataclass(frozen=True, slots=True)
class Scaling:
    """How a raw integer becomes a value: ``value = raw * scale + offset`` in ``unit``.

    ``name`` is the identity that is stored with the raw integers; two scalings with the same
    name are the same scaling. Units are written as a person would: "%", "kPa", "g/s", "°C",
    "rpm", "km/h", "V", "s", "" for counts, states and bit fields.
    """

    name: str
    scale: float
    offset: float
    unit: str


@dataclass(frozen=True, slots=True)
class Sample:
    """One channel's raw integer inside one reply."""

    channel: str
    raw: int
    scaling: Scaling


@dataclass(frozen=True, slots=True)
class Reading:
    """One reply of one control unit: several channels that share one stamp."""

    t_ms: int
    unit: str  # the control unit's address as text: "7E8", "18DAF110", "10"
    samples: tuple[Sample, ...]


@dataclass(frozen=True, slots=True)
class CodeSeen:
    """A trouble code a control unit reported at one look."""

    t_ms: int
    unit: str
    code: str  # "P0401"
    status: CodeStatus


@dataclass(frozen=True, slots=True)
class CodesRead:
    """One completed look for codes, so that "none seen" is a fact with a number beside it."""

    t_ms: int
    unit: str
    status: CodeStatus
    count: int


@dataclass(frozen=True, slots=True)
class Identity:
    """Something a control unit or adapter says of itself: key "vin", "calibration", "adapter"…"""

    t_ms: int
    unit: str
    key: str
    value: str


@dataclass(frozen=True, slots=True)
class SourceStatus:
    """A change in what a source is doing, or its counters after a while."""

    t_ms: int
    source: str
    state: SourceState
    reason: str
    counters: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Mark:
    """A driver's or mechanic's remark at one moment."""

    t_ms: int
    text: str
    author: str


SourceEvent = Reading | CodeSeen | CodesRead | Identity | SourceStatus | Mark


@dataclass(frozen=True, slots=True)
class Series:
    """Readings of one channel under one scaling.

    ``t_ms`` int64, ascending (equal stamps allowed), ``raw`` int64, both of length n.
    """

    channel: str
    scaling: Scaling
    t_ms: IntArray
    raw: IntArray

    def values(self) -> FloatArray:
        """The readings in ``scaling.unit``, float64 of length n."""
        values: FloatArray = self.raw.astype(np.float64) * self.scaling.scale + self.scaling.offset
        return values


@dataclass(frozen=True, slots=True)
class Batch:
    """What arrived since the last batch. A channel may occur twice, under two scalings.

    ``upto_ms``: nothing with an earlier or equal stamp will follow. An empty batch with a later
    ``upto_ms`` is how silence is told.
    """

    upto_ms: int
    series: tuple[Series, ...] = ()
    events: tuple[CodeSeen | CodesRead | Identity | SourceStatus, ...] = ()

    @property
    def samples(self) -> int:
        return sum(len(s.t_ms) for s in self.series)


# ---------------------------------------------------------------- findings


@dataclass(frozen=True, slots=True)
class Trip:
    """One run of the engine, from first to last running reading. ``open`` while it lasts."""

    number: int
    start_ms: int
    end_ms: int
    open: bool
    running_s: float
    distance_km: float
    openings: int


@dataclass(frozen=True, slots=True)
class Opening:
    """One stretch in which the valve was asked open. None where it could not be measured.

    Flow figures are means over the settled part; ``_sd`` is one standard deviation.
    """

    number: int
    trip: int
    start_ms: int
    end_ms: int
    asked_pct: float
    moved_pct: float | None
    flow_g_s: float | None
    flow_sd_g_s: float | None
    due_g_s: float | None
    gas_pct: float | None
    gas_sd_pct: float | None
    map_step_kpa: float | None
    map_step_sd_kpa: float | None
    map_step_due_kpa: float | None
    context: Mapping[str, float] = field(default_factory=dict)  # ect, iat, rpm, speed, minutes…


@dataclass(frozen=True, slots=True)
class Episode:
    """One chance that a rule judged (an opening, a warm stop, a stretch of eligible time)."""

    rule: str
    start_ms: int
    end_ms: int
    failed: bool
    measure: float | None
    fact: str


@dataclass(frozen=True, slots=True)
class Alert:
    """A rule that tripped. Identified by rule and ``first_ms``, which never changes."""

    rule: str
    link: Link | None  # None for the recorder's own rules
    state: AlertState
    first_ms: int  # first evidence counted
    raised_ms: int
    last_ms: int  # last evidence counted
    cleared_ms: int | None
    seen: int
    chances: int
    eligible_s: float
    measure: float
    limit: float
    unit: str
    title: str  # "Hardly any gas although the valve opened"
    text: str  # one or two sentences with figures
    channels: tuple[str, ...]  # what to draw as evidence
    doubt: str = ""  # why it can be neither kept nor dropped at present, "" when it can


@dataclass(frozen=True, slots=True)
class LinkFinding:
    link: Link
    state: LinkState
    chances: int
    failed: int
    eligible_s: float
    fact: str
    kinds: tuple[str, ...] = ()  # independent kinds of evidence against it


@dataclass(frozen=True, slots=True)
class Cause:
    cause: str  # identity in causes.toml
    title: str
    weight: float  # 0..1, all causes and "none of these" add up to 1
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Check:
    """A hand check that would tell the causes apart."""

    check: str
    title: str
    do: str
    tools: str
    minutes: float
    outcomes: tuple[tuple[str, str], ...]  # (what happens, what it would mean)
    cautions: tuple[str, ...]
    bits: float  # expected information


@dataclass(frozen=True, slots=True)
class Verdict:
    """All that is known at one moment. ``sentence`` is for a person, the rest for pages."""

    t_ms: int
    vehicle: str
    start_ms: int
    end_ms: int
    engine_s: float
    trips: int
    sentence: str
    why: str
    links: tuple[LinkFinding, ...]
    alerts: tuple[Alert, ...]
    causes: tuple[Cause, ...]
    next_check: Check | None
    circumstances: tuple[str, ...]
    sure: tuple[str, ...]
    learned: Mapping[str, float | str]
    notes: tuple[str, ...] = ()  # contradictions in the vehicle file, what would show more
    repairs: tuple[str, ...] = ()  # before and after the last recorded repair, rule by rule


@dataclass(frozen=True, slots=True)
class Changes:
    """What one batch changed, to be stored in the same transaction as the batch."""

    alerts: tuple[Alert, ...] = ()
    episodes: tuple[Episode, ...] = ()
    trips: tuple[Trip, ...] = ()
    openings: tuple[Opening, ...] = ()
    verdict: Verdict | None = None


# ---------------------------------------------------------------- kept beside the readings


@dataclass(frozen=True, slots=True)
class Anchor:
    """What the wall clock said at one log time, and whether it can be trusted."""

    t_ms: int
    wall_ms: int
    trusted: bool
    source: str  # "system", "ntp", "phone", "capture"


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without readings, and why."""

    start_ms: int
    end_ms: int
    reason: str


class SootsayerError(Exception):
    """Trouble with the environment, told in one line that names thing, value and remedy."""
