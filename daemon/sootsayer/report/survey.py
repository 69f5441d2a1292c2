"""What one look at a car found: who answers, what it gives and how often, what can be judged.

Built from the events of any source, so a survey is the same over adapter and bus.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sootsayer.judge.codes import (
    CodeSight,
    FreezeFrame,
    MonitorResult,
    Readiness,
    codes_by_trip,
    freeze_frames,
    monitor_results,
    readiness,
)
from sootsayer.judge.visibility import (
    CODES,
    RESULTS,
    Addition,
    LinkSight,
    RuleSight,
    additions,
    links_seen,
    nearest,
    visible,
)
from sootsayer.model import (
    CodeSeen,
    CodesRead,
    Identity,
    Series,
    SourceEvent,
    SourceState,
    SourceStatus,
)
from sootsayer.protocol.pids import channels_of
from sootsayer.report.survey_added import AddedFound, added_found
from sootsayer.rules.book import Rule
from sootsayer.sources.batching import BatchBuilder
from sootsayer.sources.wanted import Wanted, wanted_channels

NOT_OF_THE_CAR = frozenset({"adapter_voltage"})
END_MS = 1 << 62
NOTHING_ADDED: Mapping[str, tuple[str, ...]] = {}
SENSOR = "sensor "  # so begins the name of a sensor's source


@dataclass(frozen=True, slots=True)
class UnitFound:
    """A control unit and what it says of itself, "" where it says nothing."""

    unit: str
    name: str
    vin: str
    calibrations: tuple[str, ...]
    parameters: int  # that it announces in service 01


@dataclass(frozen=True, slots=True)
class ChannelGot:
    """A channel that came. ``every_s``: mean time between readings, None for a single one."""

    channel: str
    unit: str
    readings: int
    last: float
    every_s: float | None
    wanted_s: float | None
    needed: bool  # an armed rule rests on it


@dataclass(frozen=True, slots=True)
class Survey:
    """``unanswered``: wanted and announced, but nothing came in the time there was."""

    seconds: float
    connection: str
    device: Mapping[str, str]  # what adapter or bus say of themselves
    units: tuple[UnitFound, ...]
    channels: tuple[ChannelGot, ...]
    unanswered: tuple[str, ...]
    added: tuple[AddedFound, ...]
    links: tuple[LinkSight, ...]
    rules: tuple[RuleSight, ...]
    additions: tuple[Addition, ...]
    lacking: tuple[str, ...]  # where no single addition helps: what most rules lack
    codes_asked: bool
    codes: tuple[CodeSight, ...]
    frames: tuple[FreezeFrame, ...]
    results: tuple[MonitorResult, ...]
    readiness: Readiness

    def value(self, channel: str) -> float | None:
        """The last reading of a channel, None if there was none."""
        return next((got.last for got in self.channels if got.channel == channel), None)

    @property
    def given(self) -> frozenset[str]:
        """Channels the car gave."""
        return frozenset(got.channel for got in self.channels)


def survey_of(
    events: Sequence[SourceEvent],
    rules: Mapping[str, Rule],
    configured: Mapping[str, tuple[str, ...]] = NOTHING_ADDED,
) -> Survey:
    """Everything that one stay at a car brought, in order of arrival.

    ``configured``: channels that streams and sensors of a person's own promise, by source.
    """
    builder = BatchBuilder()
    for event in events:
        builder.add(event)
    batch = builder.take(END_MS)
    said = [event for event in events if isinstance(event, Identity)]
    read = [event for event in events if isinstance(event, CodesRead)]
    seen = [event for event in events if isinstance(event, CodeSeen)]
    statuses = [event for event in events if isinstance(event, SourceStatus)]
    car = [event for event in statuses if not event.source.startswith(SENSOR)]
    reading = [event for event in car if event.state is SourceState.READING]
    supported = _supported(said)
    wanted = wanted_channels(frozenset().union(*supported.values()), rules)
    channels = tuple(_got(one, wanted) for one in _newest_scalings(batch.series))
    given = frozenset(got.channel for got in channels)
    results = monitor_results(batch.series)
    able = {one.channel for one in batch.series} | ({CODES} if read else set())
    if any(result.recirculation for result in results):
        able.add(RESULTS)
    outside = codes_by_trip([], seen, read)
    return Survey(
        seconds=_span_s(batch.series),
        connection=reading[-1].reason if reading else "",
        device={i.key: i.value for i in said if i.unit in {s.source for s in statuses}},
        units=tuple(_unit(unit, said, len(supported[unit])) for unit in sorted(supported)),
        channels=channels,
        unanswered=tuple(sorted(_asked_in_vain(supported, wanted, given))),
        added=added_found(configured, able, statuses, rules),
        links=links_seen(able, rules),
        rules=visible(able, rules),
        additions=additions(able, rules),
        lacking=nearest(able, rules),
        codes_asked=bool(read),
        codes=outside[0].codes if outside else (),
        frames=freeze_frames(said),
        results=_last_of_each(results),
        readiness=readiness(batch.series),
    )


def _supported(said: Iterable[Identity]) -> dict[str, frozenset[int]]:
    """PIDs by control unit, as its bitmaps announced them in the end."""
    return {
        identity.unit: frozenset(int(pid, 16) for pid in identity.value.split())
        for identity in said
        if identity.key == "supported"
    }


def _asked_in_vain(
    supported: Mapping[str, frozenset[int]], wanted: Mapping[str, Wanted], given: frozenset[str]
) -> set[str]:
    """Composite parameters give only some of their channels: those are no loss."""
    silent: set[str] = set()
    for pid in frozenset().union(*supported.values()):
        names = channels_of(pid)
        if not any(name in given for name in names):
            silent |= names & wanted.keys()
    return silent


def _unit(unit: str, said: Sequence[Identity], parameters: int) -> UnitFound:
    own = [identity for identity in said if identity.unit == unit]
    last = {identity.key: identity.value for identity in own}
    calibrations = dict.fromkeys(i.value for i in own if i.key == "calibration")
    return UnitFound(
        unit, last.get("name", ""), last.get("vin", ""), tuple(calibrations), parameters
    )


def _newest_scalings(series: Iterable[Series]) -> list[Series]:
    """One series a channel, without results of monitors, which have a list of their own."""
    newest: dict[str, Series] = {}
    for one in series:
        if not one.channel.startswith("mid") and one.channel not in NOT_OF_THE_CAR:
            newest[one.channel] = one
    return [newest[channel] for channel in sorted(newest)]


def _got(series: Series, wanted: Mapping[str, Wanted]) -> ChannelGot:
    count = len(series.t_ms)
    span_s = float(series.t_ms[-1] - series.t_ms[0]) / 1000
    wish = wanted.get(series.channel)
    return ChannelGot(
        series.channel,
        series.scaling.unit,
        count,
        float(series.values()[-1]),
        span_s / (count - 1) if count > 1 else None,
        None if wish is None else wish.pace_ms / 1000,
        wish is not None and wish.needed,
    )


def _span_s(series: Iterable[Series]) -> float:
    stamps = [(int(one.t_ms[0]), int(one.t_ms[-1])) for one in series]
    if not stamps:
        return 0.0
    return (max(last for _, last in stamps) - min(first for first, _ in stamps)) / 1000


def _last_of_each(results: Iterable[MonitorResult]) -> tuple[MonitorResult, ...]:
    last = {(r.control_unit, r.monitor, r.test): r for r in results}
    return tuple(last[key] for key in sorted(last))
