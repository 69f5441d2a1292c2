"""Faults act when their schedule says, and only then."""

import numpy as np
import pytest

from sootsayer.demo.faults import Fault, FaultKind, FaultTable

KIND = FaultKind.PASSAGE_CHOKED


def acting(fault: Fault, t_ms: float = 0.0, bay_c: float = 20.0, coolant_c: float = 20.0) -> float:
    table = FaultTable([[fault]], [1])
    table.update(np.array([t_ms]), np.array([bay_c]), np.array([coolant_c]))
    return float(table.of(KIND)[0])


def test_a_plain_fault_always_acts() -> None:
    assert acting(Fault(KIND, 0.7)) == 0.7


@pytest.mark.parametrize(
    ("t_ms", "part"), [(0, 0.0), (1000, 0.0), (1500, 0.5), (2000, 1.0), (9000, 1.0)]
)
def test_a_growing_fault_grows_between_its_times(t_ms: float, part: float) -> None:
    assert acting(Fault(KIND, 0.8, start_ms=1000, full_ms=2000), t_ms) == pytest.approx(0.8 * part)


def test_a_fault_from_some_time_on_is_full_at_once() -> None:
    assert acting(Fault(KIND, start_ms=1000), 999) == 0.0
    assert acting(Fault(KIND, start_ms=1000), 1002) == 1.0


def test_hot_only_needs_the_heat() -> None:
    fault = Fault(KIND, hot_above_c=40.0)
    assert acting(fault, bay_c=39.0, coolant_c=95.0) == 0.0
    assert acting(fault, bay_c=41.0) == 1.0
    assert acting(Fault(KIND, coolant_above_c=90.0), coolant_c=91.0) == 1.0
    assert acting(Fault(KIND, coolant_above_c=90.0), coolant_c=89.0) == 0.0


def test_of_two_of_a_kind_the_stronger_counts_and_cars_are_apart() -> None:
    table = FaultTable([[Fault(KIND, 0.3), Fault(KIND, 0.6)], []], [1, 2])
    table.update(np.zeros(2), np.zeros(2), np.zeros(2))
    np.testing.assert_allclose(table.of(KIND), [0.6, 0.0])


def test_chance_is_drawn_at_openings_with_its_probability() -> None:
    table = FaultTable([[Fault(KIND, chance=0.25)]], [5])
    here = np.zeros(1)
    hits = 0
    for _ in range(2000):
        table.draw_openings(np.array([True]))
        table.update(here, here, here)
        hits += table.of(KIND)[0] == 1.0
        before = table.of(KIND)[0]
        table.draw_openings(np.array([False]))
        table.update(here, here, here)
        assert table.of(KIND)[0] == before
    # two-sided 99.9 % interval of the binomial with n = 2000, p = 1/4: 500 ± 3.29·19.4
    assert 436 <= hits <= 564


def test_bursts_last_and_pause_as_long_as_they_should() -> None:
    table = FaultTable([[Fault(KIND, bursts_s=(60.0, 240.0))], [Fault(KIND)]], [5, 5])
    acting = []
    for second in range(100_000):
        table.update(np.full(2, 1000.0 * second), np.zeros(2), np.zeros(2))
        acting.append(table.of(KIND).copy())
    bursty, plain = np.array(acting).T
    assert (plain == 1.0).all() and set(bursty) == {0.0, 1.0}
    begins = int(np.count_nonzero(np.diff(bursty) > 0))
    # 100,000 s / 300 s = 333 cycles; the sum of two exponentials per cycle gives a standard
    # deviation of about sqrt(333·0.68) = 15 cycles, and of the part that acts about 0.013
    assert 283 <= begins <= 383
    assert 0.16 <= bursty.mean() <= 0.24


def test_the_same_seed_gives_the_same_bursts_and_another_gives_others() -> None:
    fault = Fault(KIND, bursts_s=(20.0, 20.0))
    table = FaultTable([[fault], [fault], [fault]], [1, 1, 2])
    acting = []
    for second in range(600):
        table.update(np.full(3, 1000.0 * second), np.zeros(3), np.zeros(3))
        acting.append(table.of(KIND).copy())
    first, again, other = np.array(acting).T
    assert (first == again).all() and (first != other).any()


def test_growing_and_bursty_go_together() -> None:
    fault = Fault(KIND, 0.8, start_ms=0, full_ms=1_000_000, bursts_s=(30.0, 30.0))
    table = FaultTable([[fault]], [3])
    for second in range(0, 2000, 7):
        table.update(np.array([1000.0 * second]), np.zeros(1), np.zeros(1))
        grown = 0.8 * min(second / 1000, 1.0)
        assert table.of(KIND)[0] in (0.0, pytest.approx(grown))


@pytest.mark.parametrize("bursts_s", [(0.0, 5.0), (5.0, -1.0)])
def test_bursts_without_length_are_refused(bursts_s: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="bursts"):
        Fault(KIND, bursts_s=bursts_s)


def test_only_what_a_car_can_have_is_reckoned() -> None:
    table = FaultTable([[Fault(KIND)], []], [1, 2])
    assert table.has(KIND) and not table.has(FaultKind.AIR_LEAK)


@pytest.mark.parametrize("severity", [-0.1, 1.1])
def test_severity_beyond_its_range_is_refused(severity: float) -> None:
    with pytest.raises(ValueError, match="severity"):
        Fault(KIND, severity)
