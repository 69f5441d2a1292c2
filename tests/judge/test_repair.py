"""Is the repair a cure: exact tests against SciPy, planted repairs, and what is said."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import fisher_exact

from plain_engine import Faults, batches, recording
from sootsayer.judge.handwork import check_event, repair_event
from sootsayer.judge.repair import Outcome, compare, fisher_less, say, split
from sootsayer.model import Batch, SootsayerError
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")
COUNTS = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(COUNTS, COUNTS)
def test_rarer_equals_scipy(before, after):
    table = [[after[0], after[1] - after[0]], [before[0], before[1] - before[0]]]
    assert fisher_less(before, after) == pytest.approx(
        fisher_exact(table, alternative="less").pvalue, abs=1e-9
    )


@pytest.mark.parametrize(
    ("before", "after", "outcome"),
    [
        ((40, 40), (0, 2), Outcome.CURED),  # always failed: two good ones are enough
        ((20, 40), (0, 9), Outcome.CURED),
        ((8, 40), (0, 10), Outcome.OPEN),  # one in five may well be quiet for ten
        ((8, 40), (0, 40), Outcome.CURED),
        ((30, 40), (6, 40), Outcome.BETTER),
        ((20, 40), (19, 40), Outcome.UNCHANGED),
        ((20, 40), (0, 0), Outcome.OPEN),
    ],
)
def test_what_follows(before, after, outcome):
    assert compare(before, after).outcome is outcome


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        # intervals: Clopper–Pearson by SciPy, 20/40 .338 to .662, 0/9 0 to .336
        ((20, 40), (0, 9), "20 of 40 (34 to 66 %) openings before “new hose”, 0 of 9 (0 to 34 %)"),
        ((20, 40), (0, 9), "Cured"),
        ((8, 40), (0, 10), "Not enough driving yet: about 18 more openings without failure"),
        ((8, 40), (1, 12), "Not cured; whether it is better needs more driving"),
        ((30, 40), (6, 40), "Better, not cured"),
        ((20, 40), (19, 40), "Unchanged"),
        ((20, 40), (0, 0), "0 of 0 since. Not enough driving yet"),
    ],
)
def test_what_is_said(before, after, words):
    said = say("No gas", "new hose", compare(before, after), "openings")
    assert words in said, said


def test_a_cure_is_claimed_wrongly_at_most_once_in_twenty():
    """Cars whose fault is untouched: how often the counts alone would call it cured."""
    generator = np.random.default_rng(5)
    for rate in (0.1, 0.2, 0.5):
        wrong = 0
        for _ in range(400):
            before = (int(generator.binomial(40, rate)), 40)
            if not before[0]:
                continue
            stopped = compare(before, (0, 0)).needed
            quiet = generator.random(stopped) >= rate
            wrong += bool(quiet.all())
        assert wrong / 400 <= 0.08  # five in a hundred, and luck


def test_only_the_newest_before_count():
    rows = [[t, t + 1, t > 100] for t in range(200)]
    before, after = split(rows, 150)
    assert before == (40, 40)
    assert after == (50, 50)


def repaired(now: Faults) -> Pipeline:
    """Three choked trips, a recorded repair, then three trips with what is true now."""
    pipeline = Pipeline(SMALL)
    first = recording(Faults(passage=0.0), trips=3)
    end_ms = int(first[0].t_ms[-1]) + 700_000
    for batch in batches(first, []):
        pipeline.feed(batch)
    pipeline.feed(Batch(end_ms + 60_000, (), (repair_event(end_ms + 30_000, "passage cleaned"),)))
    for batch in batches(recording(now, trips=3, seed=7, start_ms=end_ms + 3_600_000), []):
        pipeline.feed(batch)
    return pipeline


def test_a_true_repair_is_called_a_cure():
    verdict = repaired(Faults()).verdict()
    said = next(s for s in verdict.repairs if s.startswith("Hardly any gas although"))
    assert "Cured" in said
    assert not any(a.rule == "F1" and a.state == "open" for a in verdict.alerts)


def test_a_repair_that_changed_nothing_is_called_so():
    said = next(
        s for s in repaired(Faults(passage=0.0)).verdict().repairs if s.startswith("Hardly any gas")
    )
    assert "Unchanged" in said


def test_check_results_move_the_weights_and_the_next_proposal():
    pipeline = Pipeline(SMALL)
    drive = recording(Faults(passage=0.0), trips=3)
    for batch in batches(drive, []):
        pipeline.feed(batch)
    before = pipeline.verdict()
    end_ms = int(drive[0].t_ms[-1]) + 700_000
    found = check_event(end_ms, "open_by_hand", "stumbles")
    pipeline.feed(Batch(end_ms + 1000, (), (found,)))
    after = pipeline.verdict()
    weight = {c.cause: c.weight for c in before.causes}
    assert (
        next(c.weight for c in after.causes if c.cause == "passage_choked")
        < 0.5 * weight["passage_choked"]
    )
    assert after.next_check is not None
    assert after.next_check.check != "open_by_hand"
    pipeline.feed(
        Batch(end_ms + 9000, (), (check_event(end_ms + 5000, "open_by_hand", "no_change"),))
    )
    assert any("both" in note for note in pipeline.verdict().notes)


def test_a_result_that_the_readings_made_unlikely_is_shown_as_a_contradiction():
    pipeline = Pipeline(Vehicle("small test engine", 0.95, 4, "petrol", valve="lift"))
    drive = recording(Faults(lift=0.0), trips=3)
    for batch in batches(drive, []):
        pipeline.feed(batch)
    end_ms = int(drive[0].t_ms[-1]) + 700_000
    fits = check_event(end_ms, "open_by_hand", "will_not_open")
    pipeline.feed(Batch(end_ms + 1000, (), (fits,)))
    assert not any("contradicts" in note for note in pipeline.verdict().notes)
    hot = check_event(end_ms + 2000, "passage_temperature", "stays_hot")
    pipeline.feed(Batch(end_ms + 3000, (), (hot,)))
    found = pipeline.verdict()
    note = next(note for note in found.notes if "contradicts" in note)
    assert "Hot with the valve shut" in note
    assert found.sentence.endswith("A hand check contradicts it: repeat the check.")
    assert note in found.why


def test_mistakes_name_what_can_be_chosen():
    with pytest.raises(SootsayerError, match="open_by_hand"):
        check_event(0, "open_by_foot", "stumbles")
    with pytest.raises(SootsayerError, match="stumbles"):
        check_event(0, "open_by_hand", "explodes")
    with pytest.raises(SootsayerError, match="repaired"):
        repair_event(0, "  ")
