"""A user's DBC file: bits are held against cantools' own decoding, mistakes told in one line."""

from __future__ import annotations

import sys
from pathlib import Path

import cantools
import pytest
from cantools.database.can import Database
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sootsayer.model import Reading, SootsayerError
from sootsayer.sources.dbc import DbcDecoder, load_dbc

DBC = """VERSION ""
NS_ :
BS_:
BU_: ECU
BO_ 640 ENGINE: 8 ECU
 SG_ Speed : 7|16@0+ (0.25,0) [0|16000] "rpm" ECU
 SG_ Torque : 28|12@1- (0.5,-10) [0|0] "Nm" ECU
 SG_ Coolant : 47|8@0+ (1.8,-40) [-40|400] "F" ECU
 SG_ Odd : 52|11@0- (1,0) [0|0] "" ECU
BO_ 641 EGR: 8 ECU
 SG_ Page M : 0|4@1+ (1,0) [0|15] "" ECU
 SG_ Valve m1 : 8|10@1+ (0.1,0) [0|100] "%" ECU
 SG_ Lift m2 : 8|16@1+ (0.01,0) [0|0] "mm" ECU
BO_ 2566834942 AIR: 8 ECU
 SG_ Manifold : 0|16@1+ (1,0) [0|4000] "hPa" ECU
 SG_ Ratio : 32|32@1- (1,0) [0|0] "" ECU
SIG_VALTYPE_ 2566834942 Ratio : 1;
"""
SIGNALS = """[signals]
rpm = "ENGINE.Speed"
tq_act_nm = "ENGINE.Torque"
ect = "ENGINE.Coolant"
odd = "ENGINE.Odd"
egr_a_act = "EGR.Valve"
valve_lift = "EGR.Lift"
map = "AIR.Manifold"
"""
NAMES = {
    "ENGINE": {"Speed": "rpm", "Torque": "tq_act_nm", "Coolant": "ect", "Odd": "odd"},
    "EGR": {"Valve": "egr_a_act", "Lift": "valve_lift"},
    "AIR": {"Manifold": "map"},
}
FACTORS = {"ect": lambda f: (f - 32) / 1.8, "map": lambda hpa: hpa / 10}


def files(folder: Path, signals: str = SIGNALS, dbc: str = DBC) -> tuple[Path, Path]:
    paths = folder / "car.dbc", folder / "map.toml"
    for path, text in zip(paths, (dbc, signals), strict=True):
        path.write_text(text, encoding="utf-8")
    return paths


@pytest.fixture(scope="module")
def decoder(tmp_path_factory: pytest.TempPathFactory) -> DbcDecoder:
    return load_dbc(*files(tmp_path_factory.mktemp("dbc")))


@pytest.fixture(scope="module")
def reference() -> Database:
    found = cantools.database.load_string(DBC, "dbc")
    assert isinstance(found, Database)
    return found


def values(decoder: DbcDecoder, address: int, extended: bool, body: bytes) -> dict[str, float]:
    return {
        sample.channel: sample.raw * sample.scaling.scale + sample.scaling.offset
        for event in decoder.feed(0, address, extended, body)
        if isinstance(event, Reading)
        for sample in event.samples
    }


@pytest.mark.parametrize("name", sorted(NAMES))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.binary(min_size=8, max_size=8))
def test_values_are_those_of_cantools_within_the_stated_limits(
    decoder: DbcDecoder, reference: Database, name: str, body: bytes
) -> None:
    message = reference.get_message_by_name(name)
    if name == "EGR":
        body = bytes((body[0] & 0xF0 | 1 + (body[0] & 1),)) + body[1:]  # pages 1 and 2 exist
    said = message.decode(body, decode_choices=False)
    assert isinstance(said, dict)
    expected = {}
    for signal, channel in NAMES[name].items():
        limits = message.get_signal_by_name(signal)
        value = said.get(signal)
        if value is None:
            continue
        assert isinstance(value, int | float)
        if limits.minimum is not None and value < limits.minimum:
            continue
        if limits.maximum is not None and value > limits.maximum + 1e-9:
            continue
        expected[channel] = FACTORS.get(channel, float)(value)
    found = values(decoder, message.frame_id, message.is_extended_frame, body)
    assert found == pytest.approx(expected)


def test_raw_is_what_the_car_sent_and_the_scaling_says_which(decoder: DbcDecoder) -> None:
    (reading,) = decoder.feed(5, 640, False, bytes.fromhex("0FA0000000000000"))
    assert isinstance(reading, Reading)
    speed = next(sample for sample in reading.samples if sample.channel == "rpm")
    assert (speed.raw, speed.scaling.name) == (4000, "dbc0.25+0rpm")


def test_a_short_frame_gives_what_it_holds(decoder: DbcDecoder) -> None:
    assert values(decoder, 640, False, bytes.fromhex("0FA0")) == {"rpm": 1000.0}


def test_the_same_number_with_the_other_length_of_address_is_another_message(
    decoder: DbcDecoder,
) -> None:
    assert decoder.feed(0, 640, True, bytes(8)) == []
    assert decoder.feed(0, 642, False, bytes(8)) == []


J1939 = DBC.replace(
    "SIG_VALTYPE_",
    'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
    'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\n'
    'BA_ "VFrameFormat" BO_ 2566834942 3;\n'
    "SIG_VALTYPE_",
)


def test_a_message_of_j1939_is_known_by_its_group(tmp_path: Path) -> None:
    decoder = load_dbc(*files(tmp_path, '[signals]\nmap = "AIR.Manifold"', J1939))
    body = (1000).to_bytes(2, "little") + bytes(6)
    address = 2566834942 & 0x1FFFFFFF
    for same_group in (address, address & 0xFFFFFF00 | 0x21, address & 0x03FFFFFF | 3 << 26):
        assert values(decoder, same_group, True, body) == {"map": pytest.approx(100.0)}
    assert values(decoder, address ^ 0x100, True, body) == {}


@pytest.mark.parametrize(
    ("signals", "said"),
    [
        ('rpm = "ENGINES.Speed"', "row 'rpm': {dbc} has no message 'ENGINES'; near are ENGINE"),
        ('rpm = "ENGINE.Sped"', "row 'rpm': message ENGINE has no signal 'Sped'; near are Speed"),
        ('rpm = "ENGINE"', "row 'rpm': 'ENGINE' names no signal; write MESSAGE.SIGNAL"),
        ("rpm = 3", "row 'rpm': expected \"MESSAGE.SIGNAL\""),
        ('rpm = { signal = "ENGINE.Speed", scale = 2 }', "row 'rpm': expected"),
        ('map = "ENGINE.Speed"', "row 'map': Speed is in rpm, map in kPa; if it is the same, add"),
        ('"R P M" = "ENGINE.Speed"', "row 'R P M': a channel is named by small letters"),
        ('a = "ENGINE.Odd"\nb = "ENGINE.Odd"', "row 'b': ENGINE.Odd is already channel a"),
        ('a = "AIR.Ratio"', "row 'a': Ratio is sent as floating point"),
    ],
)
def test_a_mistake_names_file_row_and_reason(tmp_path: Path, signals: str, said: str) -> None:
    dbc, toml = files(tmp_path, f"[signals]\n{signals}")
    with pytest.raises(SootsayerError) as trouble:
        load_dbc(dbc, toml)
    assert str(trouble.value).startswith(f"signals file {toml}: {said.format(dbc=dbc)}")
    assert "\n" not in str(trouble.value)


def test_a_stated_unit_replaces_the_dbc_files(tmp_path: Path) -> None:
    signals = '[signals]\nmap = { signal = "ENGINE.Torque", unit = "hPa" }'
    decoder = load_dbc(*files(tmp_path, signals))
    body = (220 << 28).to_bytes(8, "little")  # 220 × 0.5 − 10 = 100 hPa
    assert values(decoder, 640, False, body) == {"map": pytest.approx(10.0)}


@pytest.mark.parametrize(
    ("dbc", "signals", "said"),
    [
        ("BO_ nonsense", SIGNALS, "is no DBC file"),
        (DBC, "", "has no rows under [signals]"),
        (DBC, "[signals", "is not valid TOML"),
    ],
)
def test_a_file_that_is_none_is_told(tmp_path: Path, dbc: str, signals: str, said: str) -> None:
    with pytest.raises(SootsayerError, match=said.replace("[", r"\[")) as trouble:
        load_dbc(*files(tmp_path, signals, dbc))
    assert "\n" not in str(trouble.value)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    dbc, signals = files(tmp_path)
    with pytest.raises(SootsayerError, match="cannot be read"):
        load_dbc(tmp_path / "none.dbc", signals)
    with pytest.raises(SootsayerError, match="cannot be read"):
        load_dbc(dbc, tmp_path / "none.toml")


def test_without_the_library_it_is_said_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "cantools", None)
    with pytest.raises(SootsayerError, match=r"install sootsayer\[dbc\]"):
        load_dbc(*files(tmp_path))


def test_no_frame_raises(decoder: DbcDecoder) -> None:
    for length in range(9):
        for address in (640, 641, 2566834942 & 0x1FFFFFFF):
            for extended in (False, True):
                decoder.feed(0, address, extended, b"\xff" * length)
