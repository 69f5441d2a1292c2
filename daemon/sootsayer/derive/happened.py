"""What happened in one block beside openings, stops and rests: all that further rules look at."""

from __future__ import annotations

from dataclasses import dataclass, field

from sootsayer.derive.air_meter import AirMeter
from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.commanding import Band, Steady, SteadyStretches
from sootsayer.derive.cylinder import Rows
from sootsayer.derive.engine_feel import Heat, HeatStretch, Trims, TripTrims
from sootsayer.derive.frozen import Frozen, Look
from sootsayer.derive.keep import Kept
from sootsayer.derive.own_word import OwnWord
from sootsayer.derive.quantities import Quantities
from sootsayer.derive.spark import Spark, SparkOpening
from sootsayer.derive.starts import Arrival, Start, Starts
from sootsayer.derive.told import Told
from sootsayer.derive.trips import Trips
from sootsayer.derive.warmups import KeyOn, KeyOns, Stand, Stands, WarmUp, WarmUps
from sootsayer.model import FloatArray


@dataclass(frozen=True, slots=True)
class Happened:
    """Records completed in one block. ``band``: points outside the command's own band, None
    where nothing was asked; ``air``: the air meter's share off, its sd, rows."""

    warm_ups: list[WarmUp] = field(default_factory=list)
    key_ons: list[KeyOn] = field(default_factory=list)
    stands: list[Stand] = field(default_factory=list)
    starts: list[Start] = field(default_factory=list)
    arrivals: list[Arrival] = field(default_factory=list)
    steady: list[Steady] = field(default_factory=list)
    band: FloatArray | None = None
    spark: list[SparkOpening] = field(default_factory=list)
    trims: list[TripTrims] = field(default_factory=list)
    heat: list[HeatStretch] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)
    air: tuple[float, float, float] | None = None
    told: list[Told] = field(default_factory=list)
    own: tuple[FloatArray, FloatArray] | None = None  # the recorder's doubts: clock, room


class Happenings(Kept):
    """The stateful parts behind `Happened`."""

    kept = (
        "warm_ups", "key_ons", "stands", "starts", "steady", "band", "spark", "trims", "heat",
        "frozen", "air_meter", "own_word",
    )  # fmt: skip

    def __init__(self) -> None:
        self.warm_ups = WarmUps()
        self.key_ons = KeyOns()
        self.stands = Stands()
        self.starts = Starts()
        self.steady = SteadyStretches()
        self.trims = Trims()
        self.heat = Heat()
        self.frozen = Frozen()
        self.own_word = OwnWord()
        self.forget()

    def forget(self) -> None:
        """Begin anew with what was learned of the sound car: it is another car after a repair."""
        self.band = Band()
        self.spark = Spark()
        self.air_meter = AirMeter()

    def step(
        self, q: Quantities, trips: Trips, rows: Rows | None, balance: FlowBalance,
        told: list[Told], accused: frozenset[str],
    ) -> Happened:  # fmt: skip
        """``accused``: rules whose alert is open. What they accuse is not learned from."""
        starts, arrivals = self.starts.step(q)
        flows = not accused & NO_FLOW
        return Happened(
            warm_ups=self.warm_ups.step(q, trips), key_ons=self.key_ons.step(q),
            stands=self.stands.step(q), starts=starts, arrivals=arrivals,
            steady=self.steady.step(q),
            band=self.band.step(q, trips.number, "A2" not in accused),
            spark=self.spark.step(q, flows and "E1" not in accused),
            trims=self.trims.step(q, trips.number), heat=self.heat.step(q),
            looks=self.frozen.step(q), told=told, own=self.own_word.step(told),
            air=self.air_meter.step(q, rows, balance, trips.number, "P3M" not in accused),
        )  # fmt: skip


# While one of these accuses, openings may be without gas and their spark is not the sound one.
NO_FLOW = frozenset({"M1", "M8", "F1", "F1S", "F3"})
