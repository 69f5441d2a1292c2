"""What to ask the car next. Pure: time and replies come in, requests come out, one at a time.

Rows of parameters that must be compared (``packing``) come at their pace; slow parameters fill
the places that are left in their requests, or get one of their own when they are overdue. When
the link cannot keep every pace all fall behind in proportion, measured by how long replies really
take, and what no armed rule needs falls behind most; nothing is left out for ever. While the
valve is asked open, and for some seconds after, the rows are favoured. Codes, words and results
of monitors (``questions``) have slow clocks of their own, and come at once when the engine stops
or the alternator does, because then the key may be off in a moment.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from sootsayer.model import Reading, SourceEvent
from sootsayer.protocol.j1979 import CURRENT, pids_in
from sootsayer.protocol.pids import LAYOUTS, channels_of
from sootsayer.sources.adapter_settings import SerialSettings
from sootsayer.sources.moments import Moments
from sootsayer.sources.packing import (
    BREATHING,
    EGR,
    NEVER_LAST,
    Pids,
    Row,
    in_safe_order,
    rows_of,
)
from sootsayer.sources.questions import Clocks, Questions, answers_service
from sootsayer.sources.wanted import Wanted
from sootsayer.units import MS_PER_S

SOON = 0.7  # a slow one may come this early when a request has room: fewer requests in all
POLLS_BETWEEN = 4  # polls between two questions on a slow clock
CLOSING_POLLS_BETWEEN = 1  # the same while the key may be off in a moment
FAVOUR = 3.0  # while the valve is open the rows count as so much more overdue
OVERLOAD = 0.9  # of the link's time; above it there is no room to catch up
UNNEEDED = 4.0  # on such a link what no rule needs may be so much slower
FIRST_GUESS_MS = 60.0  # a request on CAN; replaced by what is measured
MEMORY = 0.2  # weight of the newest reply time
IDLE_MS = 300  # with nothing to ask for
# Readiness and what tells that codes were cleared: gone when the key is off.
LAST_LOOK = frozenset({0x01, 0x41, 0x30, 0x31, 0x4E})


@dataclass(frozen=True, slots=True)
class Capability:
    """How many PIDs one request may hold, and whether the link is CAN."""

    max_pids: int = 1
    is_can: bool = True


@dataclass(frozen=True, slots=True)
class Request:
    """One request without header or length: service and arguments."""

    payload: bytes

    @property
    def pids(self) -> Pids:
        """The parameters of service 01 that are asked for, none for any other service."""
        return tuple(self.payload[1:]) if self.payload[0] == CURRENT else ()

    @property
    def text(self) -> str:
        return self.payload.hex().upper()


def clocks_of(settings: SerialSettings) -> Clocks:
    """The slow clocks as the shipped settings have them."""
    return Clocks(
        int(settings.codes_s * MS_PER_S),
        int(settings.monitors_s * MS_PER_S),
        settings.charging_volts,
        settings.missed_pids,
    )


class Plan:
    """``supported``: PIDs the car announces. ``wanted``: channel → pace, and if a rule needs it.

    `next` gives a request; `answered`, `missed` or `busy` must follow before the next one.
    """

    def __init__(
        self,
        supported: Collection[int],
        wanted: Mapping[str, Wanted],
        capability: Capability,
        clocks: Clocks,
    ) -> None:
        self._max_pids = capability.max_pids
        self._missed_pids = clocks.missed_pids
        self._pace_ms: dict[int, int] = {}
        self._needed: set[int] = set()
        for pid in sorted(LAYOUTS.keys() & set(supported)):
            self._take_up(pid, [wanted[name] for name in channels_of(pid) if name in wanted])
        self._questions = Questions(
            clocks, pairs=max(1, capability.max_pids // 2), is_can=capability.is_can
        )
        self._moments = Moments(clocks.charging_volts)
        self._asked_ms: dict[int, int] = {}
        self._missed: dict[int, int] = {}
        self._took_ms: dict[int, float] = {}
        self._following: deque[Pids] = deque()  # the rest of a row
        self._outstanding: tuple[Request, int] | None = None
        self._polls = 0
        self._closing_seen = 0
        self._lay_out()

    def _take_up(self, pid: int, wishes: Sequence[Wanted]) -> None:
        if wishes:
            self._pace_ms[pid] = min(wish.pace_ms for wish in wishes)
            if any(wish.needed for wish in wishes):
                self._needed.add(pid)

    def _lay_out(self) -> None:
        self._rows: list[Row] = rows_of(self._pace_ms, self._max_pids)
        in_rows = {pid for row in self._rows for request in row for pid in request}
        self._slow = [pid for pid in self._pace_ms if pid not in in_rows]

    # ------------------------------------------------------------ what is known

    @property
    def pids(self) -> Pids:
        """What is asked for."""
        return tuple(sorted(self._pace_ms))

    def load(self) -> float:
        """Share of the link's time that all paces together would take: above 1 none is kept."""
        rows = sum(
            self._took(len(request)) / self._row_pace_ms(row)
            for row in self._rows
            for request in row
        )
        share = self._took(self._max_pids) / self._max_pids
        return rows + sum(share / self._pace_ms[pid] for pid in self._slow)

    def _took(self, pids: int) -> float:
        """Milliseconds for a request of so many; the nearest measured one stands in."""
        if not self._took_ms:
            return FIRST_GUESS_MS
        return self._took_ms[min(self._took_ms, key=lambda measured: abs(measured - pids))]

    def _row_pace_ms(self, row: Row) -> int:
        return min(self._pace_ms[pid] for request in row for pid in request)

    # ------------------------------------------------------------ what is next

    def next(self, now_ms: int) -> Request | None:
        """What to ask for now, None when nothing is due before `due_ms`."""
        if self._outstanding is not None:
            raise RuntimeError(f"{self._outstanding[0].text} is still waited for")
        request = self._choose(now_ms)
        if request is not None:
            self._outstanding = (request, now_ms)
            self._asked_ms.update(dict.fromkeys(request.pids, now_ms))
        return request

    def aside(
        self, now_ms: int, avoid: frozenset[int], room_bytes: int, name_bytes: int
    ) -> Request | None:
        """Slow parameters whose values and names fit so many bytes, none of ``avoid``.

        For a moment in which what is due may not be asked; as `next` otherwise.
        """
        chosen: list[int] = []
        for _, pid in self._late_ones(now_ms, SOON):
            layout = LAYOUTS[pid]
            size = name_bytes + max(layout.size, layout.other_size or 0)
            if pid not in avoid | NEVER_LAST and not layout.may_grow and size <= room_bytes:
                chosen.append(pid)
                room_bytes -= size
        if not chosen or self._outstanding is not None:
            return None
        request = Request(bytes((CURRENT, *chosen[: self._max_pids])))
        self._outstanding = (request, now_ms)
        self._asked_ms.update(dict.fromkeys(request.pids, now_ms))
        return request

    def due_ms(self, now_ms: int) -> int:
        """When `next` will have something; ``now_ms`` if it has."""
        due = [self._asked_ms.get(pid, now_ms - pace) + pace for pid, pace in self._pace_ms.items()]
        question_ms = self._questions.due_ms()
        if question_ms is not None:
            due.append(question_ms)
        return max(now_ms, min(due, default=now_ms + IDLE_MS))

    def _choose(self, now_ms: int) -> Request | None:
        if self._moments.stops > self._closing_seen:
            self._closing_seen = self._moments.stops
            self._last_look(now_ms)
        closing = self._moments.closing(now_ms)
        polls_between = CLOSING_POLLS_BETWEEN if closing else POLLS_BETWEEN
        question = self._questions.due(now_ms)
        if question is not None and self._polls >= polls_between and not self._following:
            return self._put(question)
        pids = self._choose_pids(now_ms)
        if pids:
            self._polls += 1
            return Request(bytes((CURRENT, *pids)))
        return None if question is None else self._put(question)

    def _put(self, question: bytes) -> Request:
        self._polls = 0
        return Request(question)

    def _last_look(self, now_ms: int) -> None:
        self._questions.closing(now_ms)
        for pid in LAST_LOOK:
            self._asked_ms.pop(pid, None)

    def _lateness(self, pid: int, now_ms: int) -> float:
        """1 when due, 2 when a whole pace overdue; what was never asked for is due first."""
        asked_ms = self._asked_ms.get(pid)
        return float("inf") if asked_ms is None else (now_ms - asked_ms) / self._pace_ms[pid]

    def _choose_pids(self, now_ms: int) -> Pids:
        if self._following:
            return self._filled(self._following.popleft(), now_ms)
        favour = FAVOUR if self._moments.favoured(now_ms) else 1.0
        row, row_late = self._latest_row(now_ms)
        slow = self._late_ones(now_ms, 1.0)
        if row is not None and row_late >= 1 and (not slow or row_late * favour >= slow[0][0]):
            self._following.extend(row[1:])
            return self._filled(row[0], now_ms)
        return self._filled((slow[0][1],), now_ms) if slow else ()

    def _latest_row(self, now_ms: int) -> tuple[Row | None, float]:
        late = [
            (max(self._lateness(pid, now_ms) for pid in row[0]), -place)
            for place, row in enumerate(self._rows)
        ]
        if not late:
            return None, 0.0
        lateness, place = max(late)
        return self._rows[-place], lateness

    def _late_ones(self, now_ms: int, least: float) -> list[tuple[float, int]]:
        """Slow ones at least so late, and how urgent they are; the most urgent first."""
        stretch = UNNEEDED if self.load() > OVERLOAD else 1.0
        late = [(self._lateness(pid, now_ms), pid) for pid in self._slow]
        urgent = [
            (lateness / (1.0 if pid in self._needed else stretch), pid)
            for lateness, pid in late
            if lateness >= least
        ]
        return sorted(urgent, key=lambda item: (-item[0], item[1]))

    def _filled(self, pids: Pids, now_ms: int) -> Pids:
        """These with slow ones in the places that are left."""
        chosen = list(pids)
        for _, pid in self._late_ones(now_ms, SOON):
            if len(chosen) >= self._max_pids:
                break
            if pid not in chosen:
                chosen.append(pid)
        # what is not part of a pair comes along more often without harm
        spare = sorted(self._pace_ms, key=lambda pid: (pid in EGR, pid not in BREATHING))
        return in_safe_order(chosen, spare, self._max_pids)

    # ------------------------------------------------------------ what came of it

    def answered(
        self, request: Request, took_ms: float, replies: Sequence[bytes]
    ) -> tuple[int, ...]:
        """Control units gave these whole replies, ``41 …``, to the request. Times in ms.

        Gives the PIDs that are given up because they were announced and never answered.
        """
        asked_ms = self._settle(request)
        if not request.pids:
            kept = [reply for reply in replies if answers_service(request.payload, reply)]
            if kept:
                self._questions.answered(request.payload, kept, asked_ms)
            else:
                self._questions.missed(request.payload, asked_ms)
            return ()
        if replies:
            self._measure(len(request.pids), took_ms)
        else:
            self._following.clear()
        came = {pid for reply in replies for pid in pids_in(reply)}
        return self._give_up([pid for pid in request.pids if self._misses(pid, pid in came)])

    def missed(self, request: Request) -> tuple[int, ...]:
        """Nothing came. Gives the PIDs that are given up, as `answered`."""
        return self.answered(request, 0.0, ())

    def busy(self, request: Request) -> None:
        """The control unit asked to wait: neither an answer nor silence; it comes in turn again."""
        self._settle(request)

    def ask_for_less(self) -> None:
        """So many PIDs at once are too many: half as many from now on."""
        self._max_pids = max(1, self._max_pids // 2)
        self._questions.pairs = max(1, self._max_pids // 2)
        self._following.clear()
        self._lay_out()

    def heard(self, event: SourceEvent) -> None:
        """What a reply said: engine speed, command and voltage decide what matters now."""
        if isinstance(event, Reading):
            for sample in event.samples:
                if sample.channel in Moments.CHANNELS:
                    value = sample.raw * sample.scaling.scale + sample.scaling.offset
                    self._moments.saw(event.t_ms, sample.channel, value)

    def _settle(self, request: Request) -> int:
        if self._outstanding is None or self._outstanding[0] != request:
            raise RuntimeError(f"{request.text} was not the request that is waited for")
        asked_ms = self._outstanding[1]
        self._outstanding = None
        return asked_ms

    def _measure(self, pids: int, took_ms: float) -> None:
        before = self._took_ms.get(pids, took_ms)
        self._took_ms[pids] = before + MEMORY * (took_ms - before)

    def _misses(self, pid: int, came: bool) -> bool:
        self._missed[pid] = 0 if came else self._missed.get(pid, 0) + 1
        return self._missed[pid] >= self._missed_pids

    def _give_up(self, pids: Sequence[int]) -> tuple[int, ...]:
        given_up = tuple(pid for pid in pids if self._pace_ms.pop(pid, None) is not None)
        if given_up:
            self._following.clear()
            self._lay_out()
        return given_up
