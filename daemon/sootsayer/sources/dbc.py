"""A car's broadcasts by its owner's DBC file: signals become channels as a small TOML file states.

    [signals]
    rpm = "ENGINE_1.EngineSpeed"
    egr_a_act = { signal = "EGR.ValvePos", unit = "%" }

Nothing is matched by likeness of names. Raw integers are kept as the car sent them; the scaling of
the DBC file is their identity. The library that reads DBC files is loaded when one is used.
"""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from sootsayer.model import Reading, Sample, Scaling, SootsayerError, SourceEvent
from sootsayer.protocol.j1939 import pgn_of
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.sources.columns import UNITS

if TYPE_CHECKING:
    from cantools.database.can import Database, Message, Signal

UNIT = "broadcast"
_CHANNEL = re.compile(r"[a-z][a-z0-9_]{0,39}")


@dataclass(frozen=True, slots=True)
class Field:
    """Bits of a frame as a number: ``shift`` counts from the last bit in the stated byte order."""

    size_bytes: int
    order: str  # "little" or "big"
    shift: int
    bits: int
    signed: bool

    def read(self, body: bytes) -> int:
        """The integer; ``body`` has at least ``size_bytes`` bytes."""
        whole = int.from_bytes(body[: self.size_bytes], self.order)  # type: ignore[arg-type]
        raw = whole >> self.shift & (1 << self.bits) - 1
        return raw - (1 << self.bits) if self.signed and raw >> (self.bits - 1) else raw


@dataclass(frozen=True, slots=True)
class Row:
    """One signal that is a channel. ``chosen_by``: fields and the numbers under which it is sent.

    ``least`` and ``greatest`` are raw, None where the DBC file states no limit.
    """

    channel: str
    field: Field
    scaling: Scaling
    least: float | None
    greatest: float | None
    chosen_by: tuple[tuple[Field, frozenset[int]], ...] = ()


class DbcDecoder:
    """``feed`` every frame of the bus. Rows by address, and by J1939 group where it says so."""

    def __init__(
        self,
        rows: Mapping[tuple[int, bool], tuple[Row, ...]],
        groups: Mapping[int, tuple[Row, ...]],
    ) -> None:
        self.counters: Counter[str] = Counter()
        self._rows = rows
        self._groups = groups

    @property
    def channels(self) -> tuple[str, ...]:
        tables = (*self._rows.values(), *self._groups.values())
        return tuple(sorted({row.channel for rows in tables for row in rows}))

    def feed(self, t_ms: int, address: int, extended: bool, body: bytes) -> list[SourceEvent]:
        """The events of one frame. What lies beyond a signal's stated limits is absent."""
        rows = self._rows.get((address, extended))
        if rows is None:
            rows = self._groups.get(pgn_of(address)) if extended and self._groups else None
            if rows is None:
                return []
        samples = tuple(self._samples(rows, body))
        return [Reading(t_ms, UNIT, samples)] if samples else []

    def _samples(self, rows: tuple[Row, ...], body: bytes) -> Iterator[Sample]:
        for row in rows:
            if len(body) < row.field.size_bytes:
                self.counters["broadcast shorter than its signals"] += 1
                continue
            if any(field.read(body) not in chosen for field, chosen in row.chosen_by):
                continue
            raw = row.field.read(body)
            if (row.least is not None and raw < row.least) or (
                row.greatest is not None and raw > row.greatest
            ):
                self.counters[f"{row.channel} beyond its limits"] += 1
                continue
            yield Sample(row.channel, raw, row.scaling)


# ---------------------------------------------------------------- loading


def load_dbc(dbc: Path, signals: Path) -> DbcDecoder:
    """A decoder for the signals that the TOML file names.

    Raises SootsayerError naming file, row and reason for any mistake in either file, and what to
    install where the library is missing.
    """
    return _Loader(_database(dbc), dbc, signals).decoder(_stated(signals))


def _database(path: Path) -> Database:
    try:
        import cantools
        from cantools.database.can import Database
    except ImportError as missing:
        raise SootsayerError(
            f"DBC file {path} needs the package cantools; install sootsayer[dbc]"
        ) from missing
    try:
        text = path.read_text(encoding="cp1252", errors="replace")
        found = cantools.database.load_string(text, "dbc", strict=False)
    except OSError as trouble:
        raise SootsayerError(f"DBC file {path} cannot be read: {trouble.strerror}") from trouble
    except Exception as trouble:  # the library raises whatever its parsing stumbled on
        reason = " ".join(str(trouble).split()) or type(trouble).__name__
        raise SootsayerError(f"DBC file {path} is no DBC file: {reason}") from trouble
    if not isinstance(found, Database):
        raise SootsayerError(f"DBC file {path} describes no CAN messages")
    return found


def _stated(path: Path) -> Mapping[str, Any]:
    try:
        stated = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as trouble:
        raise SootsayerError(f"signals file {path} cannot be read: {trouble.strerror}") from trouble
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as trouble:
        raise SootsayerError(f"signals file {path} is not valid TOML: {trouble}") from trouble
    rows = stated.get("signals")
    if not isinstance(rows, dict) or not rows:
        raise SootsayerError(
            f"signals file {path} has no rows under [signals]; "
            'write for instance rpm = "MESSAGE.SIGNAL"'
        )
    return rows


class _Loader:
    def __init__(self, database: Database, dbc: Path, signals: Path) -> None:
        self._database = database
        self._dbc = dbc
        self._signals = signals
        self._row = ""

    def decoder(self, stated: Mapping[str, Any]) -> DbcDecoder:
        rows: dict[tuple[int, bool], list[Row]] = {}
        groups: dict[int, list[Row]] = {}
        taken: dict[str, str] = {}
        for channel, wish in stated.items():
            self._row = channel
            name, unit = self._wish(wish)
            if name in taken:
                self._refuse(f"{name} is already channel {taken[name]}")
            taken[name] = channel
            message, signal = self._find(name)
            row = self._made(channel, message, signal, unit)
            if message.protocol == "j1939":
                groups.setdefault(pgn_of(message.frame_id), []).append(row)
            else:
                rows.setdefault((message.frame_id, message.is_extended_frame), []).append(row)
        return DbcDecoder(
            {key: tuple(found) for key, found in rows.items()},
            {key: tuple(found) for key, found in groups.items()},
        )

    def _refuse(self, reason: str) -> NoReturn:
        raise SootsayerError(f"signals file {self._signals}: row {self._row!r}: {reason}")

    def _wish(self, wish: object) -> tuple[str, str | None]:
        """The name of the signal and the unit that is to be taken instead of the DBC file's."""
        if not _CHANNEL.fullmatch(self._row):
            self._refuse("a channel is named by small letters, digits and _")
        stated: Any = {"signal": wish} if isinstance(wish, str) else wish
        texts = isinstance(stated, dict) and all(isinstance(v, str) for v in stated.values())
        if not texts or not {"signal"} <= stated.keys() <= {"signal", "unit"}:
            self._refuse('expected "MESSAGE.SIGNAL" or { signal = "MESSAGE.SIGNAL", unit = "kPa" }')
        return stated["signal"], stated.get("unit")

    def _find(self, name: str) -> tuple[Message, Signal]:
        message_name, dot, signal_name = name.partition(".")
        if not dot:
            self._refuse(f"{name!r} names no signal; write MESSAGE.SIGNAL")
        messages = {message.name: message for message in self._database.messages}
        if message_name not in messages:
            self._refuse(
                f"{self._dbc} has no message {message_name!r}{_near(message_name, messages)}"
            )
        message = messages[message_name]
        found = {signal.name: signal for signal in message.signals}
        if signal_name not in found:
            self._refuse(
                f"message {message_name} has no signal {signal_name!r}{_near(signal_name, found)}"
            )
        if message.is_fd:
            self._refuse(f"message {message_name} is CAN FD, which is not recorded")
        return message, found[signal_name]

    def _made(self, channel: str, message: Message, signal: Signal, unit: str | None) -> Row:
        if signal.is_float:
            self._refuse(f"{signal.name} is sent as floating point, which is not recorded")
        scaling = self._scaling(channel, signal, unit)
        step, offset = float(signal.scale), float(signal.offset)
        limits = [
            None if limit is None else (float(limit) - offset) / step
            for limit in (signal.minimum, signal.maximum)
        ]
        if step < 0:
            limits.reverse()
        least, greatest = (
            None if x is None else x + slack for x, slack in zip(limits, (-1e-6, 1e-6), strict=True)
        )
        return Row(
            channel, _field(signal), scaling, least, greatest,
            tuple(self._chosen_by(message, signal)),
        )  # fmt: skip

    def _scaling(self, channel: str, signal: Signal, unit: str | None) -> Scaling:
        """The DBC file's scaling in the unit that the channel has everywhere."""
        step, offset = float(signal.scale), float(signal.offset)
        if step == 0:
            self._refuse(f"{signal.name} has the factor 0")
        stated = (signal.unit or "") if unit is None else unit
        try:
            wanted = scaling_of(channel).unit
        except KeyError:
            wanted = stated
        factor, shift = 1.0, 0.0
        if stated != wanted:
            target, factor, shift = UNITS.get(stated, ("?", 1.0, 0.0))
            if target != wanted:
                units = (stated or "no unit", wanted or "no unit")
                self._refuse(
                    f"{signal.name} is in {units[0]}, {channel} in {units[1]}; "
                    f'if it is the same, add unit = "{wanted}"'
                )
        step, offset = step * factor, offset * factor + shift
        return Scaling(f"dbc{step:.12g}{offset:+.12g}{wanted}", step, offset, wanted)

    def _chosen_by(
        self, message: Message, signal: Signal
    ) -> Iterator[tuple[Field, frozenset[int]]]:
        """The multiplexers above a signal: field, and numbers under which the signal is sent."""
        seen = {signal.name}
        while signal.multiplexer_signal and signal.multiplexer_ids:
            chosen = frozenset(signal.multiplexer_ids)
            signal = message.get_signal_by_name(signal.multiplexer_signal)
            if signal.name in seen:
                self._refuse(f"multiplexer {signal.name} chooses itself")
            seen.add(signal.name)
            yield _field(signal), chosen


def _field(signal: Signal) -> Field:
    """Where the bits are. DBC counts a big-endian signal from its highest bit, byte by byte."""
    if signal.byte_order == "little_endian":
        size_bytes = -(-(signal.start + signal.length) // 8)
        return Field(size_bytes, "little", signal.start, signal.length, signal.is_signed)
    first = 8 * (signal.start // 8) + 7 - signal.start % 8
    size_bytes = -(-(first + signal.length) // 8)
    shift = 8 * size_bytes - first - signal.length
    return Field(size_bytes, "big", shift, signal.length, signal.is_signed)


def _near(name: str, known: Mapping[str, object]) -> str:
    near = get_close_matches(name, known, n=3, cutoff=0.5)
    return f"; near are {', '.join(near)}" if near else ""
