"""What the fully open valve passes, from openings that clearly flowed, and what it ought to.

A choked valve passes a constant mass flow that rises and falls with exhaust pressure, so gains
are kept at sea-level pressure in g/s of displaced air; under compression ignition they are a
share of the charge.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median
from typing import ClassVar

import numpy as np

from sootsayer.derive.keep import Kept
from sootsayer.derive.orifice import (
    AREA_ERROR,
    CHOKED_RATIO,
    EXHAUST_K,
    EXHAUST_KPA,
    area_mm2,
    displacing,
    orifice_g_s,
)

UNKNOWN_DISPLACEMENT_L = 2.0  # leak and gain are in g/s whatever is assumed here
GAS_PER_LITRE_G_S = 1.2
LOOP_SHARE = 0.20  # of the charge, fully open: common practice for compression ignition is 0.3–0.5
FIRST_OPENINGS = 20  # clear openings that set what this car passed when it was first known
REMEMBERED = 60
LEAST_OPENING = 0.05
LEAST_PART = 0.15  # of the due flow; below, the opening counts as one without gas (rule F1)
LEAST_OPENINGS = 5
NORMAL_CHARGE_K = 300.0
SMOOTHING = 50
# Usual effective areas are 15 to 40 mm² on 2 to 3.5 litres: the least that is usual by size.
USUAL_LEAST_MM2_PER_LITRE = 15.0 / 3.5
LEAST_WIDTHS = 0.05  # spread of openings, as a logarithm: 0.30 against 0.285 and 0.315
FAR_OFF = 4.0  # standard deviations beyond which an opening does not count
WIDEST_PART = 0.9  # of openings are narrower than what counts as the widest in use


class Gains(Kept):
    """Remembers single openings carried to the fully open valve."""

    kept: ClassVar[tuple[str, ...]] = ("gains", "common", "widths", "first_gain", "charge_k")

    def __init__(
        self, displacement_l: float | None, compression: bool, stated_area_mm2: float | None = None
    ) -> None:
        self.compression = compression
        self._known_litres = displacement_l
        self._litres = displacement_l or UNKNOWN_DISPLACEMENT_L
        self._stated_area_mm2 = stated_area_mm2
        self.gains: deque[float] = deque(maxlen=REMEMBERED)
        # What each of them shares with all others: the doubt about the engine's breathing.
        self.common: deque[float] = deque(maxlen=REMEMBERED)
        self.widths: deque[float] = deque(maxlen=REMEMBERED)  # how far open in each, 0..1
        self.first_gain: list[float] = []  # the same when this car was first known, and its sd
        self.charge_k = NORMAL_CHARGE_K

    def forget_gains(self) -> None:
        """A repair makes another valve of it."""
        self.gains.clear()
        self.common.clear()
        self.widths.clear()
        self.first_gain = []

    def note_flow(
        self, flow: tuple[float, float], common_g_s: float, opening: float, scale: float,
        due_g_s: float, charge_k: float,
    ) -> None:  # fmt: skip
        """Learn from an opening that clearly flowed.

        ``flow``: displaced air and its sd in g/s, ``common_g_s`` the part of that sd which is
        the same doubt at every opening; ``scale``: see ``Rows``.
        """
        flow_g_s, sd_g_s = flow
        surely = flow_g_s > 2 * sd_g_s and flow_g_s > LEAST_PART * due_g_s
        if opening > LEAST_OPENING and surely:
            self.gains.append(flow_g_s / (opening * scale))
            self.common.append(common_g_s / (opening * scale))
            self.widths.append(opening)
            self.charge_k = smoothed(self.charge_k, charge_k)
            if not self.first_gain and len(self.gains) >= FIRST_OPENINGS:
                self.first_gain = [median(self._better()), self.gain_sd()]

    def gain_g_s(self) -> float | None:
        """Air that the fully open valve displaces, at sea level: middle of the openings that
        flowed. In g/s; under compression ignition a share of the charge."""
        return median(self.gains) if len(self.gains) >= LEAST_OPENINGS else None

    def gain_sd(self) -> float:
        """How surely the gain is known: standard error of the middle by median deviation, one
        opening being one witness, and beside it the doubt that all openings share."""
        if len(self.gains) < LEAST_OPENINGS:
            return float("nan")
        middle = median(self.gains)
        spread = 1.4826 * median([abs(gain - middle) for gain in self.gains])
        own = 1.2533 * spread / math.sqrt(len(self.gains))
        return float(np.hypot(own, median(self.common)))

    def _better(self) -> list[float]:
        """The better half: what the valve passes where a fault that comes and goes stays away."""
        ordered = sorted(self.gains)
        return ordered[len(ordered) // 2 :]

    def better_gain_g_s(self) -> float | None:
        """Middle of the better half, None before enough clear openings: what this car's valve
        passes where a fault that acts in a part of its openings stays away."""
        return median(self._better()) if len(self.gains) >= 2 * LEAST_OPENINGS else None

    def effective_area_mm2(self) -> tuple[float, float] | None:
        """Effective area of the fully open valve and its sd; None where flow is not choked."""
        gain = self.gain_g_s()
        if gain is None or self.compression:
            return None
        area = area_mm2(gain, self.charge_k)
        return area, float(np.hypot(area_mm2(self.gain_sd(), self.charge_k), AREA_ERROR * area))

    def first_area_mm2(self) -> float | None:
        """The same when this car was first known."""
        if not self.first_gain or self.compression:
            return None
        return area_mm2(self.first_gain[0], self.charge_k)

    def due_gain_g_s(self) -> float:
        """What a fully open valve ought to displace: what this car has shown or its owner has
        stated, else its size.

        By size: the lower end of common practice is 1.2 g/s of gas per litre (15–40 mm²
        effective on 2–3.5 L at 0.15 g/s per mm² when choked); hot gas displaces more air than
        its own mass, at a charge of 300 K. Under compression ignition: a share of the charge.
        """
        by_size = LOOP_SHARE if self.compression else self._stated_g_s() or self._by_size_g_s()
        if len(self.gains) < LEAST_OPENINGS:
            return by_size
        return max(by_size, median(self._better()))

    def most_gain_g_s(self) -> float | None:
        """What a fully open valve displaced when this car was first known, None before that:
        by size alone valves differ too much to call one too large."""
        return self.first_gain[0] if self.first_gain else None

    def wanting_of_stated(self) -> tuple[float, float] | None:
        """Share of the area stated in the vehicle file that the open valve does not pass, and
        its standard deviation; None where nothing is stated or known."""
        return self._wanting(self._stated_area_mm2)

    def wanting_of_size(self) -> tuple[float, float] | None:
        """The same of the widest opening in use against the least that is usual for an engine of
        this size: usual areas are of valves as they work, and many never open fully."""
        litres = self._known_litres
        if litres is None or not self.widths:
            return None
        widest = float(np.quantile(self.widths, WIDEST_PART))
        return self._wanting(USUAL_LEAST_MM2_PER_LITRE * litres, widest)

    def growth(self) -> tuple[float, float] | None:
        """By which power flow grows with the opening, and its standard deviation; None before
        enough openings of different width flowed.

        One: in proportion, as long as the valve itself is the narrowest place. Nothing: however
        far it opens, a narrower place in series with it sets the flow. Least squares over
        logarithms, the second time without what lies far off the first.
        """
        if len(self.gains) < FIRST_OPENINGS:
            return None
        widths = np.log(np.array(self.widths))
        if float(np.std(widths)) < LEAST_WIDTHS:
            return None
        flows = np.log(np.array(self.gains)) + widths
        keep = np.ones(len(widths), dtype=np.bool_)
        for _ in range(2):
            x, y = widths[keep] - widths[keep].mean(), flows[keep]
            slope = float(x @ y / (x @ x))
            off = flows - y.mean() - slope * (widths - widths[keep].mean())
            scatter = float(np.std(off[keep]))
            keep = np.abs(off) <= FAR_OFF * scatter + 1e-9
        return slope, scatter / float(np.sqrt(x @ x))

    def _wanting(self, least_mm2: float | None, opening: float = 1.0) -> tuple[float, float] | None:
        area = self.effective_area_mm2()
        if area is None or least_mm2 is None:
            return None
        part = opening / least_mm2
        return 1 - area[0] * part, area[1] * part

    def _stated_g_s(self) -> float | None:
        if self._stated_area_mm2 is None:
            return None
        gas_g_s = orifice_g_s(self._stated_area_mm2, EXHAUST_KPA, EXHAUST_K, CHOKED_RATIO)
        return gas_g_s * displacing(NORMAL_CHARGE_K)

    def _by_size_g_s(self) -> float:
        return GAS_PER_LITRE_G_S * displacing(NORMAL_CHARGE_K) * self._litres


def smoothed(known: float, value: float) -> float:
    """A mean that follows slowly; the first value as it is."""
    return value if np.isnan(known) else known + (value - known) / SMOOTHING
