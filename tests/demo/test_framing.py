"""Cutting into CAN frames, put together again by can-isotp."""

import isotp
from hypothesis import example, given
from hypothesis import strategies as st

from sootsayer.demo.framing import frames, single


def put_together(cut: list[bytes]) -> bytes:
    """The payload as can-isotp's logic sees it."""
    waiting = [isotp.CanMessage(arbitration_id=0x7E8, data=frame, dlc=8) for frame in cut]
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
    layer = isotp.TransportLayerLogic(
        rxfn=lambda timeout: waiting.pop(0) if waiting else None,
        txfn=lambda message: None,
        address=address,
        params={"blocksize": 0, "stmin": 0},
    )
    for _ in range(len(cut) + 2):
        layer.process()
    return bytes(layer.recv() or b"")


@given(st.binary(min_size=1, max_size=300))
@example(bytes(range(200)))  # past the wrap of the frame number
def test_can_isotp_puts_the_frames_together(payload: bytes) -> None:
    cut = frames(payload)
    assert all(len(frame) == 8 for frame in cut)
    assert put_together(cut) == payload


def test_known_reply() -> None:
    # cut by can-isotp 2.0.7 itself: 100c412c402d800c, 211af804400b6455
    payload = bytes.fromhex("412c402d800c1af804400b64")
    first, second = frames(payload)
    assert first.hex() == "100c412c402d800c" and second.hex().startswith("211af804400b64")


@given(st.binary(max_size=8))
def test_single_takes_only_whole_single_frames(content: bytes) -> None:
    request = single(content)
    if request is not None:
        assert content[0] == len(request) and content[1 : 1 + len(request)] == request
    else:
        assert not content or content[0] == 0 or content[0] > 7 or len(content) <= content[0]
