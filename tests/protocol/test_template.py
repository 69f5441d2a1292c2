"""The short way of reading replies gives what the careful way gives, for any replies."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from sootsayer.model import Reading
from sootsayer.protocol.announced import FRESH
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.j1979 import decode_current
from sootsayer.protocol.pids import LAYOUTS
from sootsayer.protocol.template import template_of

PIDS = st.lists(st.sampled_from(sorted(LAYOUTS)), min_size=1, max_size=6)


@st.composite
def replies(draw: st.DrawFn) -> list[bytes]:
    """Replies of a few shapes, again and again with other values, some cut short."""
    shapes = draw(st.lists(PIDS, min_size=1, max_size=3))
    found = []
    for _ in range(draw(st.integers(2, 8))):
        body = b"".join(
            bytes((pid,)) + draw(st.binary(min_size=(n := LAYOUTS[pid].size), max_size=n))
            for pid in draw(st.sampled_from(shapes))
        )
        found.append((b"\x41" + body)[: draw(st.sampled_from([None, None, None, 4]))])
    return found


@given(replies())
@settings(max_examples=300, deadline=None)
def test_a_decoder_that_remembers_shapes_equals_one_that_does_not(payloads: list[bytes]) -> None:
    decoder, state = ReplyDecoder(), FRESH
    for payload in payloads:
        events = decoder.feed(0, "7E8", payload)
        decoded = decode_current(payload, state)
        state = decoded.state
        read = [event.samples for event in events if isinstance(event, Reading)]
        assert read == ([decoded.samples] if decoded.samples else [])
        assert decoder.state("7E8") == state


def test_a_template_is_refused_by_another_shape() -> None:
    template = template_of(bytes.fromhex("412C402D800C1AF8"), FRESH.limits)
    assert template is not None
    assert template.samples(bytes.fromhex("412C402D800B1AF8")) is None
    samples = template.samples(bytes.fromhex("412CFF2D000C0000"))
    assert samples is not None and [sample.raw for sample in samples] == [255, 0, 0]


def test_what_announces_something_has_no_template() -> None:
    for hexed in ("4100FFFFFFFF", "414F00000033", "410680", "411D0F", "416502FF", "41145AFF"):
        assert template_of(bytes.fromhex(hexed), FRESH.limits) is None
