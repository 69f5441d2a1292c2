from __future__ import annotations

import json
import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import (
    Alert,
    Cause,
    Check,
    LinkFinding,
    SourceStatus,
    Trip,
    Verdict,
)
from sootsayer.store.plain import from_plain, to_plain

KINDS = (Alert, Trip, SourceStatus, Cause, Check, LinkFinding, Verdict)


@given(st.one_of(*(st.builds(kind) for kind in KINDS)))
def test_values_survive_json(value: object) -> None:
    """Compared as JSON, where not-a-number and infinity are null."""
    text = json.dumps(to_plain(value), allow_nan=False)
    again = from_plain(type(value), json.loads(text))
    assert type(again) is type(value)
    assert to_plain(again) == to_plain(value)


FINITE = st.floats(allow_nan=False, allow_infinity=False)


@given(st.builds(Trip, running_s=FINITE, distance_km=FINITE))
def test_values_come_back_equal(trip: Trip) -> None:
    assert from_plain(Trip, json.loads(json.dumps(to_plain(trip)))) == trip


def test_what_json_cannot_say_becomes_null_and_not_a_number_again() -> None:
    trip = Trip(1, 2, 3, False, math.inf, math.nan, np.int64(4))  # type: ignore[arg-type]
    plain = to_plain(trip)
    assert (plain["running_s"], plain["distance_km"], plain["openings"]) == (None, None, 4)
    assert type(plain["openings"]) is int
    assert math.isnan(from_plain(Trip, plain).distance_km)
