"""What the fuzzer feeds to codecs of a person's own lines: streams, sensors, broadcasts by DBC.

Of a definition (TOML, DBC) that is wrong one clear line is expected, and nothing else.
"""

from __future__ import annotations

import tempfile
import tomllib
from collections import Counter
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from pathlib import Path

from sootsayer.model import SootsayerError
from sootsayer.protocol.pulses import PulseWords
from sootsayer.protocol.stream_table import StreamTable, stream_from
from sootsayer.protocol.streams import StreamDecoder
from sootsayer.sources.dbc import DbcDecoder, load_dbc
from sootsayer.sources.sensors.edges import Edge, cycles_in
from sootsayer.sources.sensors.kernel_files import GarbageError, one_wire_count

COUNTED = """name = "s"
[line]
baud = 8192
echo = true
[frame]
kind = "counted"
length_base = 0x20
mode = 1
checksum = "zero-sum"
[[message]]
name = "engine"
id = "5A"
data_bytes = 4
request = "5A 22 01 07 7C"
period_s = 0.2
[[message.row]]
name = "speed"
role = "rpm"
at = 0
width = 2
scale = 0.5
offset = 0
unit = "rpm"
min = 0
max = 9000
"""
FIXED = """name = "f"
[line]
baud = 9600
[frame]
kind = "fixed"
checksum = "xor"
[[message]]
name = "a"
id = "0D"
data_bytes = 2
[[message.row]]
name = "w"
role = "ect"
at = 0
signed = true
scale = 1
offset = 0
unit = "°C"
min = -40
max = 150
"""
PULSES = FIXED.replace("baud = 9600", "bit_rate = 160").replace('"fixed"', '"pulses"')
DBC = """VERSION ""
NS_ :
BS_:
BU_: ECU
BO_ 640 ENGINE: 8 ECU
 SG_ Speed : 7|16@0+ (0.25,0) [0|16000] "rpm" ECU
 SG_ Coolant : 47|8@0+ (1.8,-40) [-40|400] "F" ECU
BO_ 641 EGR: 8 ECU
 SG_ Page M : 0|4@1+ (1,0) [0|15] "" ECU
 SG_ Valve m1 : 8|10@1+ (0.1,0) [0|100] "%" ECU
BO_ 2566834942 AIR: 8 ECU
 SG_ Ratio : 32|32@1- (1,0) [0|0] "" ECU
"""
SIGNALS = '[signals]\nrpm = "ENGINE.Speed"\nect = "ENGINE.Coolant"\nodd = "AIR.Ratio"\n'
SIGNALS += 'egr_a_act = "EGR.Valve"\n'
ADDRESSES = (640, 641, 2566834942 & 0x1FFFFFFF, 5)
PULSE_BYTES = 4


@cache
def tables() -> tuple[StreamTable, ...]:
    example = files("sootsayer_config").joinpath("streams/example.toml")
    texts = (COUNTED, FIXED, PULSES, example.read_text(encoding="utf-8"))
    return tuple(stream_from(tomllib.loads(text), "fuzz") for text in texts)


def feed_stream(content: bytes, decoder: StreamDecoder | None = None) -> None:
    """The first byte chooses the table; then pieces: what happens, ms, size, bytes."""
    table = tables()[content[0] % len(tables()) if content else 0]
    decoder = decoder or StreamDecoder(table)
    at, t_ms = 1, 0
    while at + 2 < len(content):
        what, ms, size = content[at : at + 3]
        t_ms += ms
        if what % 16 == 1:
            decoder.pause()
        elif what % 16 == 2 and table.requests:
            decoder.sent(table.requests[0])
        decoder.feed(t_ms, content[at + 3 : at + 3 + size % 64])
        at += 3 + size % 64


def feed_pulses(content: bytes, words: PulseWords | None = None) -> None:
    words = words or PulseWords(PULSE_BYTES, Counter())
    for frame in words.feed(content):
        assert len(frame) == PULSE_BYTES


def feed_one_wire(content: bytes) -> None:
    try:
        assert abs(one_wire_count(content.decode("ascii", "replace"))) < 1_000_000
    except GarbageError:
        return


def feed_edges(content: bytes) -> None:
    """Eight bytes an edge, looked at in two pieces as a line is."""
    edges = [
        Edge(int.from_bytes(piece[:6], "big"), bool(piece[6] & 1), piece[7])
        for piece in (content[at : at + 8] for at in range(0, len(content) - 7, 8))
    ]
    first = cycles_in(edges[: len(edges) // 2])
    for found in (first, cycles_in([*first.rest, *edges[len(edges) // 2 :]])):
        assert len(found.rest) <= 2
        if found.duty is not None:
            assert 0 <= found.duty.duty_pct <= 100 and found.duty.period_ms > 0


def feed_stream_file(content: bytes) -> None:
    try:
        stream_from(tomllib.loads(content.decode("utf-8")), "stream file x")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        return
    except SootsayerError as refusal:
        one_line(refusal)


def one_line(refusal: SootsayerError) -> None:
    assert str(refusal).strip() and len(str(refusal).splitlines()) == 1, refusal


@cache
def folder() -> Path:
    made = tempfile.TemporaryDirectory(prefix="sootsayer-fuzz-")
    _kept.append(made)
    return Path(made.name)


_kept: list[tempfile.TemporaryDirectory[str]] = []  # gone with this process


def loaded(dbc: bytes, signals: str = SIGNALS) -> DbcDecoder:
    paths = folder() / "car.dbc", folder() / "signals.toml"
    paths[0].write_bytes(dbc)
    paths[1].write_text(signals, encoding="utf-8")
    return load_dbc(*paths)


@cache
def car() -> DbcDecoder:
    return loaded(DBC.encode())


def feed_dbc(content: bytes, decoder: DbcDecoder | None = None) -> None:
    """Ten bytes a frame: which address, how long, eight bytes."""
    decoder = decoder or car()
    for at in range(0, len(content) - 9, 10):
        address = ADDRESSES[content[at] % len(ADDRESSES)]
        body = content[at + 2 : at + 2 + content[at + 1] % 9]
        decoder.feed(at, address, address > 0x7FF, body)


def feed_dbc_file(content: bytes) -> None:
    try:
        decoder = loaded(content)
    except SootsayerError as refusal:
        one_line(refusal)
    else:
        feed_dbc(bytes(range(60)), decoder)


TARGETS: dict[str, Callable[[bytes], object]] = {
    "stream": feed_stream,
    "pulses": feed_pulses,
    "one-wire": feed_one_wire,
    "edges": feed_edges,
    "stream file": feed_stream_file,
    "broadcast": feed_dbc,
    "DBC file": feed_dbc_file,
}


def cells(words: bytes) -> bytes:
    """Pulses as a serial port shows them: nine ones, words, nine ones and a nought."""
    bits = [1] * 9
    for word in words:
        bits += [0, *(word >> place & 1 for place in range(7, -1, -1))]
    return bytes(0xC0 if bit else 0xFC for bit in [*bits, *[1] * 9, 0])


def seeds(name: str) -> list[bytes]:
    counted = bytes.fromhex("5A 25 01 0640 0102 2D".replace(" ", ""))
    whole = bytes.fromhex("5A22 0107 7C".replace(" ", "")) + counted
    match name:
        case "stream":
            fixed, slow = bytes.fromhex("0D50005D"), cells(bytes.fromhex("0D50005D"))
            pieces = [(0, whole), (1, fixed), (2, slow[:60])]
            return [bytes((table, 2, 9, len(body))) + body for table, body in pieces]
        case "pulses":
            return [cells(bytes(4)), cells(bytes.fromhex("0D50005D")), cells(b"\xff" * 4)]
        case "one-wire":
            line = b"72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n"
            return [line + b"72 01 4b 46 7f ff 0e 10 57 t=23125\n", line + b"t=-55000"]
        case "edges":
            edge = [(n * 10_000_000).to_bytes(6, "big") + bytes((n & 1, n)) for n in range(8)]
            return [b"".join(edge)]
        case "stream file":
            return [text.encode() for text in (COUNTED, FIXED, PULSES)]
        case "broadcast":
            return [b"".join(bytes((n, 8)) + bytes(range(8)) for n in range(3))]
    return [DBC.encode()]
