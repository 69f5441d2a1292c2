"""Definitions of streams: whatever is wrong is told with file, message, row and reason."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable
from importlib.resources import files
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import SootsayerError
from sootsayer.protocol.calibration import calibration_from
from sootsayer.protocol.stream_table import stream_from
from sootsayer.toml_table import Table

SHIPPED: dict[str, Any] = tomllib.loads(
    files("sootsayer_config").joinpath("streams/example.toml").read_text(encoding="utf-8")
)
Change = Callable[[dict[str, Any]], object]


def row(stated: dict[str, Any], number: int) -> dict[str, Any]:
    found: dict[str, Any] = stated["message"][0]["row"][number - 1]
    return found


def message(stated: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = stated["message"][0]
    return found


def test_the_shipped_example_is_sound() -> None:
    table = stream_from(SHIPPED, "example")
    assert {"rpm", "map", "maf", "tp", "ect", "egr_pct", "egr_a_act", "vss"} <= set(table.channels)
    assert table.requests == (bytes.fromhex("5A 22 01 07 7C"),)
    assert table.size(table.messages[0]) == 3 + 22 + 1


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda s: row(s, 1).update(at=21), "row 1 (engine_speed): at = 21 with width = 2 ends"),
        (lambda s: row(s, 2).update(name="engine_speed"), "row 2: 'engine_speed' is also"),
        (lambda s: row(s, 2).update(role="rpm", unit="rpm"), "row 2: 'rpm' is also"),
        (lambda s: row(s, 1).update(role="revs"), "role = 'revs' is no channel"),
        (lambda s: row(s, 2).update(unit="psi"), "unit = 'psi', but map is in 'kPa'"),
        (lambda s: row(s, 1).pop("unit"), "unit is missing; rpm is judged in 'rpm'"),
        (lambda s: row(s, 1).pop("min"), "'min' is missing"),
        (lambda s: row(s, 1).update(min=9000), "min = 9000 is not below max = 7500"),
        (lambda s: row(s, 1).update(scale=0), "scale = 0"),
        (lambda s: row(s, 1).update(scal=1), "unknown key 'scal'; did you mean 'scale'?"),
        (lambda s: row(s, 1).update(width=5), "width = 5 is out of range"),
        (lambda s: row(s, 1).update(name="Speed 1"), "use small letters"),
        (lambda s: row(s, 19).update(name="map"), "is a channel that the rules know"),
        (lambda s: row(s, 12).update(mask=0x100), "mask = 256 is out of range"),
        (lambda s: row(s, 12).update(shift=5), "leaves no bit"),
        (lambda s: row(s, 5).update(points=[[10, 1], [5, 2]]), "5 follows 10"),
        (lambda s: row(s, 5).update(points=[[10, 1]]), "is not a list of pairs"),
        (lambda s: row(s, 5).update(points=[[1, 2], [2, 2]]), "second numbers are the same"),
        (lambda s: row(s, 5).update(scale=2), "points and scale cannot stand together"),
        (lambda s: row(s, 11).update(states={"x": 1}), "'x' is no count"),
        (lambda s: row(s, 11).update(states={}), "no state is given"),
        (lambda s: row(s, 1).update(order="middle"), "choose one of big, little"),
        (lambda s: message(s).update(row=[]), "row must be one or more tables"),
        (lambda s: message(s).update(data_bytes=230), "gives a length byte of 263"),
        (lambda s: message(s).update(id="5A 5B"), "id has 2 bytes"),
        (lambda s: message(s).update(id="GG"), "id = 'GG' is not bytes"),
        (lambda s: message(s).update(request="5A 22 01 07 7D"), "its checksum is 7C"),
        (lambda s: message(s).update(request="5A 23 01 07 7B"), "which makes 22"),
        (lambda s: message(s).update(request="5A 22 04 07 79"), "mode 04, not the stated 01"),
        (lambda s: message(s).update(request="5A 22"), "too short"),
        (lambda s: message(s).pop("period_s"), "'period_s' is missing"),
        (lambda s: s["message"].append(copy.deepcopy(message(s))), "begin alike (5A 37 01)"),
        (
            lambda s: s["message"].append(copy.deepcopy(message(s)) | {"id": "5B"}),
            "two messages have the same name",
        ),
        (lambda s: s.update(message=[]), "message must be one or more tables"),
        (lambda s: s["frame"].update(kind="framed"), "kind = 'framed'; choose one of counted"),
        (lambda s: s["frame"].update(checksum="crc"), "checksum = 'crc'; choose one of zero-sum"),
        (lambda s: s["frame"].update(checksum="none"), "cannot be told from noise"),
        (lambda s: s["line"].pop("baud"), "'baud' is missing"),
        (lambda s: s["line"].update(baud=9600.5), "baud = 9600.5 is not a whole number"),
        (lambda s: s["line"].update(echo="yes"), "write true or false"),
        (lambda s: s.update(line=9600), "line = 9600 is no table"),
        (lambda s: s.pop("name"), "'name' is missing"),
        (lambda s: s.update(extra=1), "unknown key 'extra'"),
    ],
)  # fmt: skip
def test_an_error_names_place_and_reason(change: Change, told: str) -> None:
    stated = copy.deepcopy(SHIPPED)
    change(stated)
    with pytest.raises(SootsayerError) as caught:
        stream_from(stated, "stream file my.toml")
    said = str(caught.value)
    assert said.startswith("stream file my.toml") and told in said and "\n" not in said


def test_only_counted_frames_may_be_asked_for() -> None:
    stated = copy.deepcopy(SHIPPED)
    stated["frame"] = {"kind": "fixed", "checksum": "zero-sum"}
    with pytest.raises(SootsayerError, match="only counted frames carry a mode"):
        stream_from(stated, "x")


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers(-300, 300) | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)


@given(st.data(), ANYTHING)
def test_any_value_in_any_place_is_taken_or_told(data: st.DataObject, value: object) -> None:
    stated = copy.deepcopy(SHIPPED)
    place: Any = data.draw(
        st.sampled_from(
            [stated, stated["line"], stated["frame"], message(stated), row(stated, 1),
             row(stated, 5), row(stated, 11)]
        )
    )  # fmt: skip
    place[data.draw(st.sampled_from(sorted(place)))] = value
    try:
        stream_from(stated, "x")
    except SootsayerError as trouble:
        assert str(trouble).startswith("x")


# ---------------------------------------------------------------- calibration


def read(stated: dict[str, Any], raw: int) -> dict[str, float]:
    calibration = calibration_from(Table(stated, "x"), "c")
    return {
        s.channel: s.raw * s.scaling.scale + s.scaling.offset
        for s in calibration.for_counts().samples(raw)
    }


def test_two_points_are_a_line_and_keep_the_count() -> None:
    stated = {"points": [[40, 0.0], [240, 100.0]], "min": -10, "max": 110}
    assert read(stated, 140) == {"c": pytest.approx(50.0)}
    assert read(stated, 30) == {"c": pytest.approx(-5.0)}  # a line goes on beyond its points
    assert read(stated, 255) == {"c": pytest.approx(107.5)}
    assert read(stated, 10) == {}  # -15: below min


def test_more_points_are_a_table_and_the_count_stands_beside() -> None:
    stated = {"points": [[10, 120], [40, 80], [240, -20]], "min": -40, "max": 150}
    assert read(stated, 25) == {"c": pytest.approx(100.0), "c_raw": 25.0}
    assert read(stated, 240) == {"c": pytest.approx(-20.0), "c_raw": 240.0}
    assert read(stated, 140) == {"c": pytest.approx(30.0), "c_raw": 140.0}
    assert read(stated, 9) == {} and read(stated, 241) == {}


def test_states_stand_for_whole_numbers() -> None:
    assert read({"states": {"0": 1, "0x10": 0}}, 0) == {"c": 1.0, "c_raw": 0.0}
    assert read({"states": {"0": 1, "0x10": 0}}, 16) == {"c": 0.0, "c_raw": 16.0}
    assert read({"states": {"0": 1, "0x10": 0}}, 3) == {}


@given(
    st.lists(st.tuples(st.integers(0, 255), st.integers(-50, 200)), min_size=3, max_size=9,
             unique_by=lambda p: p[0]),
    st.integers(0, 255),
)  # fmt: skip
def test_a_table_agrees_with_numpy(points: list[tuple[int, int]], raw: int) -> None:
    """Against numpy.interp."""
    import numpy as np

    ordered = sorted(points)
    if len({y for _, y in ordered}) == 1:
        return
    stated = {"points": [list(p) for p in ordered], "min": -1000, "max": 1000, "step": 0.01}
    found = read(stated, raw)
    xs, ys = zip(*ordered, strict=True)
    if xs[0] <= raw <= xs[-1]:
        assert found["c"] == pytest.approx(float(np.interp(raw, xs, ys)), abs=0.0051)
    else:
        assert found == {}
