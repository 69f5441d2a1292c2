"""The air meter against what it read in like conditions when this car was first known.

The balance goes on learning; here the first settled readings with the valve shut are kept, cell
by cell of engine speed, manifold pressure and coolant, so that a meter that grows tired is seen
even if the balance would get used to it.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.cylinder import Rows, row_means
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities

CELL_RPM, CELL_KPA, CELL_ECT_C = 400.0, 10.0, 15.0
CELL_KNOWN_ROWS = 15.0  # half a minute …
CELL_KNOWN_TRIPS = 2.0  # … in two trips
CELL_FULL_ROWS = 120.0  # then it stands as first seen, until a repair
STRANGE_SHARE = 0.10  # a reading further off than this is not learned by a cell that is known
WINDOW_ROWS = 300.0  # the newest ten minutes under load
LOAD_FACTOR = 4.0  # times idle air: there a leak of gas or air is small beside the whole


class AirMeter(Kept):
    """Share by which the meter reads below its own first measure, valve shut, under load."""

    kept = ("cells", "parts", "rows", "due", "missing")

    def __init__(self) -> None:
        # "rpm,kPa,°C" → [rows, mean of air over density flow, last trip, trips]
        self.cells: dict[str, list[float]] = {}
        self.parts: deque[list[float]] = deque()  # [rows, due, missing] g/s, block by block
        self.rows = 0.0
        self.due = 0.0
        self.missing = 0.0

    def step(
        self, q: Quantities, rows: Rows | None, balance: FlowBalance, trip: int, learn: bool
    ) -> tuple[float, float, float] | None:
        """(share missing, its standard deviation, rows), None where nothing new was seen."""
        if rows is None or balance.mode != "maf" or np.isnan(balance.idle_air_g_s):
            return None
        shut = rows.opening < 0.01
        # Gas takes a moment to be swept out: the two seconds before must have been shut, too.
        load = rows.usable & shut & np.concatenate([[False], shut[:-1]])
        load &= rows.air_g_s > LOAD_FACTOR * balance.idle_air_g_s
        if not load.any():
            return None
        rpm, map_kpa, ect = row_means(q.rpm, q.map, q.ect)
        part = [0.0, 0.0, 0.0]
        for index in np.flatnonzero(load & ~np.isnan(ect)).tolist():
            density = float(rows.density_g_s_kpa[index] * map_kpa[index])
            air = float(rows.air_g_s[index])
            name = f"{rpm[index] // CELL_RPM:.0f},{map_kpa[index] // CELL_KPA:.0f}"
            name += f",{ect[index] // CELL_ECT_C:.0f}"
            cell = self.cells.get(name)
            strange = False
            if cell is not None and cell[0] >= CELL_KNOWN_ROWS and cell[3] >= CELL_KNOWN_TRIPS:
                part[0] += 1
                part[1] += cell[1] * density
                part[2] += cell[1] * density - air
                strange = abs(air / density / cell[1] - 1) > STRANGE_SHARE
            if learn and not strange and (cell is None or cell[0] < CELL_FULL_ROWS):
                self.cells[name] = _taught(cell, air / density, trip)
        if not part[0]:
            return None
        self._add(part)
        sd = balance.sigma() * float(np.sqrt(balance.inflation() / self.rows))
        return self.missing / self.due, sd * self.rows / self.due, self.rows

    def _add(self, part: list[float]) -> None:
        self.parts.append(part)
        self.rows += part[0]
        self.due += part[1]
        self.missing += part[2]
        while self.rows - self.parts[0][0] >= WINDOW_ROWS:
            rows, due, missing = self.parts.popleft()
            self.rows -= rows
            self.due -= due
            self.missing -= missing


def _taught(cell: list[float] | None, value: float, trip: int) -> list[float]:
    n, mean, last, trips = cell or [0.0, 0.0, -1.0, 0.0]
    return [n + 1, mean + (value - mean) / (n + 1), float(trip), trips + (trip != last)]
