"""How the invented control units put figures into bytes: J1979 service 01, the sender's end.

Written apart from ``sootsayer.protocol``, which reads such bytes, so that each checks the other.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from sootsayer.demo.build import Feedback, Make, Metering
from sootsayer.demo.cars import CHANNELS
from sootsayer.demo.ledger import Ledger
from sootsayer.demo.monitor import Memory
from sootsayer.model import FloatArray, IntArray

_PEDAL = 0x49
# Fuel system, trims, spark, throttle: what an engine without throttle and spark has not.
_ONLY_SPARK = frozenset({0x03, 0x06, 0x07, 0x0E, 0x11, 0x45, 0x4C})
BYTE, WORD = 255, 65535

# channel: value of one count, value at count 0, greatest count
_COUNTS: Mapping[str, tuple[float, float, int]] = {
    "fuelsys1": (1.0, 0.0, BYTE),
    "load_pct": (100.0 / 255.0, 0.0, BYTE),
    "ect": (1.0, -40.0, BYTE),
    "shrtft1": (100.0 / 128.0, -100.0, BYTE),
    "longft1": (100.0 / 128.0, -100.0, BYTE),
    "map": (1.0, 0.0, BYTE),
    "rpm": (0.25, 0.0, WORD),
    "vss": (1.0, 0.0, BYTE),
    "sparkadv": (0.5, -64.0, BYTE),
    "iat": (1.0, -40.0, BYTE),
    "maf": (0.01, 0.0, WORD),
    "tp": (100.0 / 255.0, 0.0, BYTE),
    "runtm": (1.0, 0.0, WORD),
    "egr_pct": (100.0 / 255.0, 0.0, BYTE),
    "egr_err": (100.0 / 128.0, -100.0, BYTE),
    "baro": (1.0, 0.0, BYTE),
    "vpwr": (0.001, 0.0, WORD),
    "tp_r": (100.0 / 255.0, 0.0, BYTE),
    "aat": (1.0, -40.0, BYTE),
    "tac_pct": (100.0 / 255.0, 0.0, BYTE),
    "n_d_stat": (1.0, 0.0, 1),
    "egr_a_act": (100.0 / 255.0, 0.0, BYTE),
    "app_d": (100.0 / 255.0, 0.0, BYTE),
    "egrt11": (4.0, -40.0, BYTE),  # wide range
}
_STEP = np.array([_COUNTS[name][0] for name in CHANNELS])
_ZERO = np.array([_COUNTS[name][1] for name in CHANNELS])
_TOP = np.array([_COUNTS[name][2] for name in CHANNELS])

# PIDs that carry one or two plain channels: (channel, bytes) in order.
_PLAIN: Mapping[int, tuple[tuple[str, int], ...]] = {
    0x01: (("monitor_status", 4),),
    0x03: (("fuelsys1", 1), ("fuelsys2", 1)),
    0x04: (("load_pct", 1),),
    0x05: (("ect", 1),),
    0x06: (("shrtft1", 1),),
    0x07: (("longft1", 1),),
    0x0B: (("map", 1),),
    0x0C: (("rpm", 2),),
    0x0D: (("vss", 1),),
    0x0E: (("sparkadv", 1),),
    0x0F: (("iat", 1),),
    0x10: (("maf", 2),),
    0x11: (("tp", 1),),
    0x1C: (("obdsup", 1),),
    0x1F: (("runtm", 2),),
    0x21: (("mil_dist", 2),),
    0x2C: (("egr_pct", 1),),
    0x2D: (("egr_err", 1),),
    0x2F: (("fli", 1),),
    0x30: (("warm_ups", 1),),
    0x31: (("clr_dist", 2),),
    0x33: (("baro", 1),),
    0x41: (("monitor_cycle", 4),),
    0x42: (("vpwr", 2),),
    0x45: (("tp_r", 1),),
    0x46: (("aat", 1),),
    0x49: (("app_d", 1),),
    0x4C: (("tac_pct", 1),),
    0x4D: (("mil_time", 2),),
    0x4E: (("clr_time", 2),),
    0x51: (("fuel_typ", 1),),
}
EGR_COMPOSITE = 0x69
_OF_COMPOSITE = ("egr_a_cmd", "egr_a_act", "egr_a_err")
SAME_COUNTS = {"egr_a_cmd": "egr_pct", "egr_a_err": "egr_err"}  # told twice
EGR_TEMPERATURE = 0x6B
WIDE_RANGE_FIRST = 0x10  # sensor 1 of bank 1 is there, in steps of 4 °C
AUXILIARY = 0x65
CONSTANT_COUNTS = {"fuelsys2": 0, "obdsup": 0x06, "fuel_typ": 0x01}  # European on-board, petrol
DIESEL = 0x04  # SAE J1979 PID 51

# Byte B: misfire, fuel and components are watched; C: catalyst, tank, oxygen sensors and their
# heaters, recirculation.
_ALWAYS_WATCHED = 0x07
_WATCHED = 0xE5
_COMPRESSION, _WATCHED_COMPRESSION = 0x08, 0xE8
_RECIRCULATION = 0x80
_OXYGEN_SENSORS = 0x60
_SLOW_MONITORS = 0x05  # catalyst and tank, seldom complete within one trip
UNREADY = _WATCHED  # just after codes were cleared
_SLOW_WARM_UPS = 3
_SENSOR_MONITORS_S = 240.0  # oxygen sensors and heaters are through by then


def counts(values: FloatArray) -> IntArray:
    """Raw integers of readings, rounded and held within their bytes.

    ``values`` has the channels of ``CHANNELS`` along its first axis; so has the answer.
    """
    shape = (-1,) + (1,) * (values.ndim - 1)
    raw = np.rint((values - _ZERO.reshape(shape)) / _STEP.reshape(shape))
    held: IntArray = np.clip(raw, 0, _TOP.reshape(shape)).astype(np.int64)
    return held


def readings_of(channel: str, raw: IntArray) -> FloatArray:
    """What raw integers of one channel of ``CHANNELS`` stand for."""
    step, zero, _ = _COUNTS[channel]
    values: FloatArray = np.asarray(raw, dtype=np.float64) * step + zero
    return values


def monitor_status(memory: Memory, compression: bool = False) -> int:
    """PID 01 as one integer of four bytes."""
    first = 0x80 * memory.lamp + len(memory.confirmed)
    always, watched = _watched(compression)
    return int.from_bytes(bytes((first, always, watched, memory.unready & watched)), "big")


def _watched(compression: bool) -> tuple[int, int]:
    """Bytes B and C. With compression ignition: boost, exhaust sensors, filter, recirculation."""
    if compression:
        return _ALWAYS_WATCHED | _COMPRESSION, _WATCHED_COMPRESSION
    return _ALWAYS_WATCHED, _WATCHED


def constants_of(make: Make) -> dict[str, int]:
    """What this car always says the same."""
    return CONSTANT_COUNTS | ({"fuel_typ": DIESEL} if make.compression_ignition else {})


def unready_after(unready: int, flow_tested: bool, ledger: Ledger) -> int:
    """Readiness byte D after some driving; the slow monitors need three warm-ups."""
    done = _RECIRCULATION * flow_tested
    if 60.0 * ledger.clear_min >= _SENSOR_MONITORS_S:
        done |= _OXYGEN_SENSORS
    if ledger.warm_ups >= _SLOW_WARM_UPS:
        done |= _SLOW_MONITORS
    return unready & ~done


def monitor_cycle(flow_tested: bool, run_s: float, compression: bool = False) -> int:
    """PID 41 as one integer of four bytes."""
    open_still = _SLOW_MONITORS | (0 if flow_tested else _RECIRCULATION)
    if run_s < _SENSOR_MONITORS_S:
        open_still |= _OXYGEN_SENSORS
    always, watched = _watched(compression)
    return int.from_bytes(bytes((0, always, watched, open_still & watched)), "big")


def supported_pids(make: Make) -> frozenset[int]:
    """What the engine's control unit of this car answers."""
    pids = set(_PLAIN) | {AUXILIARY}
    if make.metering is Metering.MAF:
        pids.discard(0x0B)
    if make.metering is Metering.MAP:
        pids.discard(0x10)
    if make.feedback is Feedback.NONE:
        pids.discard(0x2D)
    if not make.electronic_throttle:
        pids.discard(0x4C)
    pids -= _ONLY_SPARK if make.compression_ignition else {_PEDAL}
    if make.composite_egr:
        pids.add(EGR_COMPOSITE)
    if make.passage_sensor:
        pids.add(EGR_TEMPERATURE)
    return frozenset(pids)


def channels_of(make: Make) -> frozenset[str]:
    """Channels that this car's engine unit gives under their plain names."""
    given = {name for pid in supported_pids(make) if pid in _PLAIN for name, _ in _PLAIN[pid]}
    given |= {"n_d_stat"} | (set(_OF_COMPOSITE) if make.composite_egr else set())
    return frozenset(given | ({"egrt11"} if make.passage_sensor else set()))


def pid_bytes(pid: int, raw: Mapping[str, int]) -> bytes:
    """The bytes after one PID, from raw integers by channel."""
    if pid == AUXILIARY:
        return bytes((0x02, raw["n_d_stat"] << 1))
    if pid == EGR_COMPOSITE:
        return bytes((0x07, raw["egr_pct"], raw["egr_a_act"], raw["egr_err"], 0, 0, 0))
    if pid == EGR_TEMPERATURE:
        return bytes((WIDE_RANGE_FIRST, raw["egrt11"], 0, 0, 0))
    return b"".join(raw[name].to_bytes(size, "big") for name, size in _PLAIN[pid])


def support_bitmap(base: int, supported: frozenset[int]) -> bytes:
    """The four bytes that PID ``base`` (00, 20, 40…) returns; empty when nothing lies beyond."""
    bits = 0
    for pid in supported:
        if base < pid <= base + 0x20:
            bits |= 1 << (0x20 - (pid - base))
    if any(pid > base + 0x20 for pid in supported):
        bits |= 1
    return bits.to_bytes(4, "big") if bits else b""
