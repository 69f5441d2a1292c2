"""Nothing but reading requests and flow control can reach a CAN bus."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

import sootsayer
from can_rig import ScriptedCar, run_on, virtual
from sootsayer.clock import Deadline
from sootsayer.model import SourceState
from sootsayer.sources.allow import ForbiddenError
from sootsayer.sources.can_allow import ReadOnlyBus, check, is_request_payload, single_frame
from sootsayer.sources.can_health import BusError, Condition

HEARD = frozenset({0x7E8, 0x18DAF110})
SERVICES = {0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A, 0x22, 0x19}


@pytest.mark.parametrize(
    "payload",
    ["0100", "012C2D0C0B1011", "020200", "022C002D00", "03", "07", "0A", "0620", "0631", "0902",
     "22F400", "22F40CF42CF42D", "22F631", "22F802", "1942330C1E", "195533", "19563301",
     "1904040100FF", "1906040100FF"],
)  # fmt: skip
def test_what_we_need_may_pass(payload: str) -> None:
    content = single_frame(bytes.fromhex(payload))
    check(0x7DF, False, content, frozenset())
    check(0x18DB33F1, True, content, frozenset())
    check(0x7E0, False, content, HEARD)
    check(0x18DA10F1, True, content, HEARD)


@pytest.mark.parametrize(
    "payload",
    ["04", "0401", "05", "0501", "0801", "08", "1003", "1101", "14FFFF33", "14FFFFFF", "22F190",
     "220100", "22F4", "22F400F1", "2701", "28", "2EF400", "2F", "3101FF00", "34", "3E00", "3E80",
     "85", "1902FF", "190A", "194233", "19423308", "1955", "01", "02", "0202", "0300", "0700",
     "09", "090200", "0A00", "0101020304050607", "0B"],
)  # fmt: skip
def test_everything_else_is_refused(payload: str) -> None:
    request = bytes.fromhex(payload[: len(payload) // 2 * 2])
    assert not is_request_payload(request)
    with pytest.raises(ForbiddenError):
        check(0x7DF, False, single_frame(request), HEARD)


@pytest.mark.parametrize(
    ("address", "extended", "content"),
    [
        (0x7DF, False, "3000005555555555"),  # flow control never goes to all
        (0x18DB33F1, True, "3000005555555555"),
        (0x7E1, False, "3000005555555555"),  # nobody was heard from 7E9
        (0x7E1, False, "0201005555555555"),
        (0x18DA11F1, True, "0201005555555555"),
        (0x7E0, True, "0201005555555555"),  # this address with 29 bits is somebody else's
        (0x7DF, True, "0201005555555555"),
        (0x18DB33F1 & 0x7FF, False, "0201005555555555"),
        (0x7E8, False, "0201005555555555"),
        (0x123, False, "0201005555555555"),
        (0x000, False, "0201005555555555"),
        (0x7DF, False, "020100"),  # not padded: some units do not take it
        (0x7DF, False, "0201005555555504"),
        (0x7DF, False, "0001005555555555"),
        (0x7DF, False, "0801005555555555"),
        (0x7DF, False, "1008010203040506"),  # a request in several frames
        (0x7E0, False, "2101020304050607"),
        (0x7E0, False, "3300005555555555"),
        (0x7E0, False, "3000005555555504"),
        (0x7E0, False, ""),
    ],
)
def test_addresses_and_frames_must_fit(address: int, extended: bool, content: str) -> None:
    with pytest.raises(ForbiddenError):
        check(address, extended, bytes.fromhex(content), HEARD)


def test_flow_control_goes_to_a_unit_that_was_heard() -> None:
    for content in ("3000005555555555", "310A005555555555", "3200005555555555"):
        check(0x7E0, False, bytes.fromhex(content), HEARD)
        check(0x18DA10F1, True, bytes.fromhex(content), HEARD)


ADDRESSES = st.one_of(
    st.integers(0, 0x1FFFFFFF),
    st.integers(0x7D0, 0x7FF),
    st.sampled_from([0x7DF, 0x7E0, 0x18DB33F1, 0x18DA10F1, 0x18DAF110]),
)
CONTENTS = st.one_of(
    st.binary(max_size=10),
    st.binary(min_size=1, max_size=7).map(lambda payload: single_frame(payload)),
    st.builds(
        lambda service, rest: single_frame(bytes((service,)) + rest),
        st.integers(0, 255),
        st.binary(max_size=6),
    ),
)


@given(ADDRESSES, st.booleans(), CONTENTS)
def test_any_frame_passes_only_as_reading_request_or_flow_control(
    address: int, extended: bool, content: bytes
) -> None:
    try:
        check(address, extended, content, HEARD)
    except ForbiddenError:
        return
    assert address in ({0x18DB33F1, 0x18DA10F1} if extended else {0x7DF, 0x7E0})
    assert len(content) == 8
    if content[0] >> 4 == 3:
        assert address in (0x7E0, 0x18DA10F1)
        return
    assert 1 <= content[0] <= 7 and set(content[1 + content[0] :]) <= {0x55}
    assert content[1] in SERVICES
    if content[1] == 0x22:
        assert content[0] in (3, 5, 7) and set(content[2 : 1 + content[0] : 2]) <= {
            0xF4,
            0xF6,
            0xF8,
        }
    if content[1] == 0x19:
        assert content[2] in (0x42, 0x55, 0x56, 0x04, 0x06)


# ---------------------------------------------------------------- a real bus


@pytest.fixture
def pair() -> Iterator[tuple[can.BusABC, ReadOnlyBus]]:
    other, inner = virtual("allow"), virtual("allow")
    bus = ReadOnlyBus(inner)
    yield other, bus
    bus.close()
    other.shutdown()


def test_not_a_frame_of_a_forbidden_request_is_sent(pair: tuple[can.BusABC, ReadOnlyBus]) -> None:
    other, bus = pair
    for payload in ("04", "1003", "3E00"):
        with pytest.raises(ForbiddenError):
            bus.send(0x7DF, False, single_frame(bytes.fromhex(payload)))
    assert other.recv(0) is None
    bus.send(0x7DF, False, single_frame(b"\x03"))
    seen = other.recv(0)
    assert seen is not None and bytes(seen.data) == bytes.fromhex("0103555555555555")


def test_hearing_a_unit_opens_its_own_address(pair: tuple[can.BusABC, ReadOnlyBus]) -> None:
    other, bus = pair
    flow = bytes.fromhex("3000005555555555")
    with pytest.raises(ForbiddenError):
        bus.send(0x7E1, False, flow)
    other.send(can.Message(arbitration_id=0x7E9, data=b"\x10\x14", is_extended_id=False))
    assert bus.receive() is not None
    bus.send(0x7E1, False, flow)
    with pytest.raises(ForbiddenError):
        bus.send(0x7E2, False, flow)


def test_a_silent_bus_sends_nothing_at_all() -> None:
    other, inner = virtual("silent"), virtual("silent")
    bus = ReadOnlyBus(inner, silent=True)
    with pytest.raises(ForbiddenError):
        bus.send(0x7DF, False, single_frame(b"\x03"))
    assert other.recv(0) is None
    bus.close()
    other.shutdown()


def test_a_bus_gives_no_other_way_out(pair: tuple[can.BusABC, ReadOnlyBus]) -> None:
    _, bus = pair
    public = {name for name in dir(bus) if not name.startswith("_")}
    assert public == {"send", "receive", "fileno", "close"}
    assert not any(isinstance(value, can.BusABC) for value in vars(bus).values())


def test_a_closed_interface_is_a_condition_not_a_crash() -> None:
    inner = virtual("closed")
    bus = ReadOnlyBus(inner)
    bus.close()
    for act in (bus.receive, lambda: bus.send(0x7DF, False, single_frame(b"\x03"))):
        with pytest.raises(BusError) as caught:
            act()
        assert caught.value.condition is Condition.GONE


def test_only_this_module_of_the_recorder_sends_on_a_can_bus() -> None:
    """python-can's classes are named elsewhere only to open a bus, to read logs or as types."""
    root = Path(sootsayer.__file__).parent
    makers: set[str] = set()
    for path in (root / "sources").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                owner = ast.unparse(node.func.value)
                if node.func.attr.startswith("send") and "bus" in owner.lower():
                    makers.add(f"{path.name}:{owner}.{node.func.attr}")
                if ast.unparse(node.func) == "can.Message":
                    makers.add(f"{path.name}:can.Message")
    # ReadOnlyBus makes the one message; Line and the flow control of a stack go through it
    assert {name for name in makers if name.startswith("can_")} == {
        "can_allow.py:can.Message",
        "can_allow.py:bus.send",
        "can_line.py:self._bus.send",
        "can_stacks.py:bus.send",
    }


# ---------------------------------------------------------------- the wire of a whole session


def test_the_tap_lists_every_distinct_request_of_a_session() -> None:
    tapped: set[tuple[str, int, bytes]] = set()
    supported = {0x00: "18180001", 0x20: "00180001", 0x40: "00000000"}

    def answer(unit: int, request: bytes) -> bytes | None:
        if request[0] == 0x01 and request[1] in supported:
            return b"\x41" + request[1:2] + bytes.fromhex(supported[request[1]])
        if request[0] == 0x01:
            sizes = {0x0C: 2}
            values = (bytes((pid, *range(sizes.get(pid, 1)))) for pid in request[1:])
            return b"\x41" + b"".join(values)
        if request[0] in (0x03, 0x07, 0x0A):
            return bytes((request[0] | 0x40, 1, 4, 1))
        if request == b"\x09\x00":
            return b"\x49\x00\x54\x40\x00\x00"
        if request == b"\x09\x02":
            return b"\x49\x02\x01SXXTSAYERDEMX2401"
        return None

    with (
        ScriptedCar("tapped", answer) as car,
        run_on("tapped", tap=lambda way, address, frame: tapped.add((way, address, frame))) as run,
    ):
        run.wait_state(SourceState.READING)
        run.wait_readings(12)
        deadline = Deadline(20.0)
        while b"\x09\x02" not in car.requests() and not deadline.passed():
            run.wait_readings(len(run.readings()) + 1)
    sent = {(address, frame) for way, address, frame in tapped if way == "sent"}
    assert sent == set(car.heard), "the tap and the car heard the same"
    for address, frame in sent:
        check(address, False, frame, frozenset({0x7E8}))
    assert {frame[1] for address, frame in sent if address == 0x7DF} <= SERVICES
    assert {frame[:3].hex() for address, frame in sent if address != 0x7DF} == {"300000"}
