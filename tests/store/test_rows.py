"""Sums of rows do not depend on what SQLite does not keep."""

from __future__ import annotations

import sqlite3

from sootsayer.store.rows import sum_of


def test_a_nought_with_a_sign_comes_back_from_sqlite_as_what_was_summed() -> None:
    kept = sqlite3.connect(":memory:").execute("SELECT ? + 0.0", (-0.0,)).fetchone()[0]
    assert sum_of({"measure": -0.0}) == sum_of({"measure": kept}) == sum_of({"measure": 0})


def test_other_values_change_the_sum() -> None:
    assert sum_of({"measure": 1.5}) != sum_of({"measure": -1.5}) != sum_of({"measure": 0.0})
