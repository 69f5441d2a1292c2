"""The parameter table of J1979 service 01: what the bytes after each PID mean.

Replies to several PIDs carry no lengths, so a PID that is not in this table ends the reading of
a message. Composite PIDs say in their first byte which of their channels exist; the bytes of
the others are filler and never become readings.

Channel ids are the standard's mnemonics in lower case. Three are told apart by quantity where
the standard uses one mnemonic twice: ``o2s11`` (0 to 1.275 V), ``o2s11_wide`` (0 to 8 V) and
``o2s11_ma`` (pumping current); ``frp_rel`` is rail pressure over the manifold's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum, auto
from types import MappingProxyType

from sootsayer.model import Scaling
from sootsayer.protocol import scalings as s


class Limit(Enum):
    """Which announced greatest value (PIDs 4F and 50) replaces the default scaling."""

    RATIO = auto()
    O2_VOLTS = auto()
    O2_MILLIAMPS = auto()
    MAP = auto()
    MAF = auto()


@dataclass(frozen=True, slots=True)
class Part:
    """One channel within the bytes that follow a PID. Bytes and bits count from 0."""

    channel: str
    start: int
    size: int
    scaling: Scaling
    needs_bit: int | None = None  # bit of the first byte that says the channel exists
    unless_bit: int | None = None  # bit of the first byte that says another part replaces it
    signed: bool = False
    shift: int = 0
    mask: int | None = None
    unused_raw: int | None = None  # this raw value means "not in use"
    limit: Limit | None = None
    sensor: int | None = None  # oxygen sensor 0..7: ``channel`` gets its place put in


@dataclass(frozen=True, slots=True)
class Layout:
    """A PID's length in bytes, the other length it may have, and its parts."""

    pid: int
    size: int
    parts: tuple[Part, ...]
    other_size: int | None = None
    may_grow: bool = False  # later editions appended bytes; alone in a message all are taken


# Places (bank, sensor) of oxygen sensors 0..7: with PID 13 two banks of four, with 1D four of two.
TWO_BANKS = ("11", "12", "13", "14", "21", "22", "23", "24")
FOUR_BANKS = ("11", "12", "21", "22", "31", "32", "41", "42")

SUPPORT_PIDS = frozenset(range(0x00, 0x100, 0x20))


def _one(channel: str, scaling: Scaling, **more: object) -> tuple[Part, ...]:
    return (Part(channel, 0, 1, scaling, **more),)  # type: ignore[arg-type]


def _two(channel: str, scaling: Scaling, **more: object) -> tuple[Part, ...]:
    return (Part(channel, 0, 2, scaling, **more),)  # type: ignore[arg-type]


def _trim(first: str, second: str) -> tuple[Part, ...]:
    """Fuel trims: a second byte, for bank 3 or 4, exists on cars with so many banks."""
    return (
        Part(first, 0, 1, s.PERCENT_SIGNED),
        Part(second, 1, 1, s.PERCENT_SIGNED),
    )


def _row(names: str, scaling: Scaling, size: int = 1, *, signed: bool = False) -> tuple[Part, ...]:
    """Channels one after another behind a support byte, bit i for the i-th."""
    return tuple(
        Part(name, 1 + index * size, size, scaling, needs_bit=index, signed=signed)
        for index, name in enumerate(names.split())
    )


def _two_valves(prefix: str, scaling: Scaling, size: int) -> tuple[Part, ...]:
    """Command and actual of A and B, then a status byte; the support bits come A, B in threes."""
    places = (("a_cmd", 0), ("a_act", 1), ("b_cmd", 3), ("b_act", 4))
    values = tuple(
        Part(f"{prefix}_{name}", 1 + index * size, size, scaling, needs_bit=bit)
        for index, (name, bit) in enumerate(places)
    )
    end = 1 + len(places) * size
    return (
        *values,
        Part(f"{prefix}_a_stat", end, 1, s.STATE, needs_bit=2, mask=3),
        Part(f"{prefix}_b_stat", end, 1, s.STATE, needs_bit=5, shift=2, mask=3),
    )


def _egr_temperatures() -> tuple[Part, ...]:
    """PID 6B: bits 0..3 narrow range, bits 4..7 the same four sensors in steps of 4 °C."""
    names = ("egrt11", "egrt12", "egrt21", "egrt22")
    narrow = tuple(
        Part(name, 1 + i, 1, s.CELSIUS, needs_bit=i, unless_bit=4 + i)
        for i, name in enumerate(names)
    )
    wide = tuple(
        Part(name, 1 + i, 1, s.CELSIUS_WIDE, needs_bit=4 + i) for i, name in enumerate(names)
    )
    return narrow + wide


def _egr_valves() -> tuple[Part, ...]:
    kinds = (("cmd", s.PERCENT), ("act", s.PERCENT), ("err", s.PERCENT_SIGNED))
    return tuple(
        Part(f"egr_{valve}_{kind}", 1 + 3 * v + k, 1, scaling, needs_bit=3 * v + k)
        for v, valve in enumerate("ab")
        for k, (kind, scaling) in enumerate(kinds)
    )


def _auxiliary() -> tuple[Part, ...]:
    """PID 65: n_d_stat 1 = in drive or reverse, n_g_stat 1 = in gear (from memory)."""
    names = ("pto_stat", "n_d_stat", "n_g_stat", "gpl_stat")
    return tuple(
        Part(name, 1, 1, s.STATE, needs_bit=i, shift=i, mask=1) for i, name in enumerate(names)
    )


def _oxygen(index: int) -> Iterator[Layout]:
    """The three families of oxygen sensor PIDs, sensor ``index`` of eight."""
    trim = Part("shrtft{}", 1, 1, s.PERCENT_SIGNED, unused_raw=0xFF, sensor=index)
    ratio = Part("eq_rat{}", 0, 2, s.LAMBDA, limit=Limit.RATIO, sensor=index)
    volts = Part("o2s{}_wide", 2, 2, s.VOLT_8, limit=Limit.O2_VOLTS, sensor=index)
    current = Part("o2s{}_ma", 2, 2, s.MILLIAMP, limit=Limit.O2_MILLIAMPS, sensor=index)
    yield Layout(0x14 + index, 2, (Part("o2s{}", 0, 1, s.VOLT_200TH, sensor=index), trim))
    yield Layout(0x24 + index, 4, (ratio, volts))
    yield Layout(0x34 + index, 4, (ratio, current))


def _max_values() -> tuple[Part, ...]:
    names = (("max_eq_rat", s.COUNT), ("max_o2_v", s.COUNT), ("max_o2_ma", s.COUNT))
    parts = tuple(Part(name, i, 1, scaling) for i, (name, scaling) in enumerate(names))
    return (*parts, Part("max_map", 3, 1, s.KPA_10))


def _table() -> Iterator[Layout]:
    for pid in SUPPORT_PIDS:
        yield Layout(pid, 4, ())
    for index in range(8):
        yield from _oxygen(index)
    yield Layout(0x01, 4, (Part("monitor_status", 0, 4, s.BITS),))
    yield Layout(0x02, 2, _two("dtcfrzf", s.BITS))
    yield Layout(0x03, 2, (Part("fuelsys1", 0, 1, s.STATE), Part("fuelsys2", 1, 1, s.STATE)))
    yield Layout(0x04, 1, _one("load_pct", s.PERCENT))
    yield Layout(0x05, 1, _one("ect", s.CELSIUS))
    yield Layout(0x06, 1, _trim("shrtft1", "shrtft3"), other_size=2)
    yield Layout(0x07, 1, _trim("longft1", "longft3"), other_size=2)
    yield Layout(0x08, 1, _trim("shrtft2", "shrtft4"), other_size=2)
    yield Layout(0x09, 1, _trim("longft2", "longft4"), other_size=2)
    yield Layout(0x0A, 1, _one("frp_gauge", Scaling("kpa3", 3.0, 0.0, "kPa")))
    yield Layout(0x0B, 1, _one("map", s.KPA, limit=Limit.MAP))
    yield Layout(0x0C, 2, _two("rpm", s.RPM))
    yield Layout(0x0D, 1, _one("vss", s.KM_H))
    yield Layout(0x0E, 1, _one("sparkadv", s.SPARK_DEGREES))
    yield Layout(0x0F, 1, _one("iat", s.CELSIUS))
    yield Layout(0x10, 2, _two("maf", s.GRAMS_S, limit=Limit.MAF))
    yield Layout(0x11, 1, _one("tp", s.PERCENT))
    yield Layout(0x12, 1, _one("air_stat", s.STATE))
    yield Layout(0x13, 1, _one("o2sloc", s.BITS))
    yield Layout(0x1C, 1, _one("obdsup", s.STATE))
    yield Layout(0x1D, 1, _one("o2sloc", s.BITS))
    yield Layout(0x1E, 1, _one("pto_stat", s.STATE, mask=1))
    yield Layout(0x1F, 2, _two("runtm", s.SECONDS))
    yield Layout(0x21, 2, _two("mil_dist", s.KM))
    yield Layout(0x22, 2, _two("frp_rel", s.KPA_079))
    yield Layout(0x23, 2, _two("frp", s.KPA_10))
    yield Layout(0x2C, 1, _one("egr_pct", s.PERCENT))
    yield Layout(0x2D, 1, _one("egr_err", s.PERCENT_SIGNED))
    yield Layout(0x2E, 1, _one("evap_pct", s.PERCENT))
    yield Layout(0x2F, 1, _one("fli", s.PERCENT))
    yield Layout(0x30, 1, _one("warm_ups", s.COUNT))
    yield Layout(0x31, 2, _two("clr_dist", s.KM))
    yield Layout(0x32, 2, _two("evap_vp", s.PA_QUARTER, signed=True))
    yield Layout(0x33, 1, _one("baro", s.KPA))
    for index, name in enumerate(("catemp11", "catemp21", "catemp12", "catemp22")):
        yield Layout(0x3C + index, 2, _two(name, s.CELSIUS_TENTH))
    yield Layout(0x41, 4, (Part("monitor_cycle", 0, 4, s.BITS),))
    yield Layout(0x42, 2, _two("vpwr", s.VOLT_MILLI))
    yield Layout(0x43, 2, _two("load_abs", s.PERCENT))
    yield Layout(0x44, 2, _two("eq_rat", s.LAMBDA, limit=Limit.RATIO))
    yield Layout(0x45, 1, _one("tp_r", s.PERCENT))
    yield Layout(0x46, 1, _one("aat", s.CELSIUS))
    for index, name in enumerate(("tp_b", "tp_c", "app_d", "app_e", "app_f", "tac_pct")):
        yield Layout(0x47 + index, 1, _one(name, s.PERCENT))
    yield Layout(0x4D, 2, _two("mil_time", s.MINUTES))
    yield Layout(0x4E, 2, _two("clr_time", s.MINUTES))
    yield Layout(0x4F, 4, _max_values())
    yield Layout(0x50, 4, _one("max_maf", Scaling("g/s10", 10.0, 0.0, "g/s")))
    yield Layout(0x51, 1, _one("fuel_typ", s.STATE))
    yield Layout(0x52, 1, _one("alch_pct", s.PERCENT))
    # 53 and 54: from memory, equal to scapy; 55-58 from memory
    yield Layout(0x53, 2, _two("evap_vpa", Scaling("kpa0.005", 0.005, 0.0, "kPa")))
    yield Layout(0x54, 2, _two("evap_vp_wide", s.PA_OFFSET))
    yield Layout(0x55, 1, _trim("stso2ft1", "stso2ft3"), other_size=2)
    yield Layout(0x56, 1, _trim("lgso2ft1", "lgso2ft3"), other_size=2)
    yield Layout(0x57, 1, _trim("stso2ft2", "stso2ft4"), other_size=2)
    yield Layout(0x58, 1, _trim("lgso2ft2", "lgso2ft4"), other_size=2)
    yield Layout(0x59, 2, _two("frp_abs", s.KPA_10))
    yield Layout(0x5A, 1, _one("app_r", s.PERCENT))
    yield Layout(0x5B, 1, _one("bat_pwr", s.PERCENT))
    yield Layout(0x5C, 1, _one("eot", s.CELSIUS))
    yield Layout(0x5D, 2, _two("fuel_timing", s.FUEL_DEGREES))
    yield Layout(0x5E, 2, _two("fuel_rate", s.LITRES_H))
    yield Layout(0x5F, 1, _one("emis_sup", s.STATE))
    yield Layout(0x61, 1, _one("tq_dd", s.TORQUE_PERCENT))
    yield Layout(0x62, 1, _one("tq_act", s.TORQUE_PERCENT))
    yield Layout(0x63, 2, _two("tq_ref", s.NEWTON_METRES))
    tq_max = tuple(Part(f"tq_max{i + 1}", i, 1, s.TORQUE_PERCENT) for i in range(5))
    yield Layout(0x64, 5, tq_max)
    yield Layout(0x65, 2, _auxiliary())
    yield Layout(0x66, 5, _row("mafa mafb", s.GRAMS_S_32ND, 2))
    yield Layout(0x67, 3, _row("ect1 ect2", s.CELSIUS))
    yield Layout(0x68, 7, _row("iat11 iat12 iat13 iat21 iat22 iat23", s.CELSIUS))
    yield Layout(0x69, 7, _egr_valves(), may_grow=True)
    yield Layout(0x6A, 5, _row("iaf_a_cmd iaf_a_rel iaf_b_cmd iaf_b_rel", s.PERCENT))
    yield Layout(0x6B, 5, _egr_temperatures(), may_grow=True)
    yield Layout(0x6C, 5, _row("tac_a_cmd tp_a_rel tac_b_cmd tp_b_rel", s.PERCENT))
    yield Layout(0x6F, 3, _row("tca_cinp tcb_cinp", s.KPA), may_grow=True)
    yield Layout(0x70, 10, _two_valves("bp", s.KPA_32ND, 2), may_grow=True)
    yield Layout(0x71, 6, _two_valves("vgt", s.PERCENT, 1), may_grow=True)
    yield Layout(0x72, 5, _row("wg_a_cmd wg_a_act wg_b_cmd wg_b_act", s.PERCENT))
    yield Layout(0x73, 5, _row("ep1 ep2", s.KPA_HUNDREDTH, 2))
    yield Layout(0x77, 5, _row("cact11 cact12 cact21 cact22", s.CELSIUS))
    yield Layout(0x78, 9, _row("egt11 egt12 egt13 egt14", s.CELSIUS_TENTH, 2))
    yield Layout(0x79, 9, _row("egt21 egt22 egt23 egt24", s.CELSIUS_TENTH, 2))
    for pid, name in ((0x7A, "dpf1"), (0x7B, "dpf2")):
        difference = Part(f"{name}_dp", 1, 2, s.KPA_HUNDREDTH, needs_bit=0, signed=True)
        inlet = Part(f"{name}_inp", 3, 2, s.KPA_HUNDREDTH, needs_bit=1)
        outlet = Part(f"{name}_outp", 5, 2, s.KPA_HUNDREDTH, needs_bit=2)
        yield Layout(pid, 7, (difference, inlet, outlet))
    yield Layout(0x83, 9, _row("nox11 nox12 nox21 nox22", s.PPM, 2), other_size=5, may_grow=True)
    yield Layout(0x84, 1, _one("mst", s.CELSIUS))
    yield Layout(0x87, 5, _row("map_a map_b", s.KPA_32ND, 2))
    # 8E to A6: scalings from memory, lengths agree with scapy 2.8.0
    yield Layout(0x8E, 1, _one("tq_fr", s.TORQUE_PERCENT))
    engine_rate = Part("eng_fuel_rate", 0, 2, s.GRAMS_S_50TH)
    yield Layout(0x9D, 4, (engine_rate, Part("veh_fuel_rate", 2, 2, s.GRAMS_S_50TH)))
    yield Layout(0x9E, 2, _two("exh_rate", s.KG_H_FIFTH))
    yield Layout(0xA2, 2, _two("cyl_rate", s.MG_STROKE))
    gear = Part("gear_act", 1, 1, s.STATE, needs_bit=0, shift=4, mask=15)
    yield Layout(0xA4, 4, (gear, Part("gear_rat", 2, 2, s.RATIO_MILLI, needs_bit=1)))
    yield Layout(0xA6, 4, (Part("odo", 0, 4, s.KM_TENTH),))


LAYOUTS: Mapping[int, Layout] = MappingProxyType({row.pid: row for row in _table()})


def _channels_of(layout: Layout) -> Iterator[tuple[str, Scaling]]:
    for part in layout.parts:
        if part.sensor is None:
            yield part.channel, part.scaling
        else:
            for places in (TWO_BANKS, FOUR_BANKS):
                yield part.channel.format(places[part.sensor]), part.scaling


def _default_scalings() -> dict[str, Scaling]:
    """The narrow range comes first in PID 6B and the car's own limits later, so first wins."""
    found: dict[str, Scaling] = {}
    for layout in LAYOUTS.values():
        for channel, scaling in _channels_of(layout):
            found.setdefault(channel, scaling)
    return found


DEFAULT_SCALINGS: Mapping[str, Scaling] = MappingProxyType(_default_scalings())


def channels_of(pid: int) -> frozenset[str]:
    """Every channel this PID may give, support bits apart. Empty for one not in the table."""
    layout = LAYOUTS.get(pid)
    return frozenset(name for name, _ in _channels_of(layout)) if layout else frozenset()
