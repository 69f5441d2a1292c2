"""Causes by Bayes, against arithmetic done otherwise, and the table held against the handwork of
the trade: what cannot exist on a car explains nothing there, and nothing is counted twice."""

from __future__ import annotations

import numpy as np
import pytest

from sootsayer.judge.architecture import Sight, sight_of, valve_table
from sootsayer.judge.causes import (
    NONE_OF_THESE,
    cause_table,
    expected,
    known_rules,
    statements,
    weigh_causes,
)
from sootsayer.judge.instead import TRIMS_MOVED
from sootsayer.model import Cause
from sootsayer.protocol.codes import MEANINGS, NAMES, meaning_of
from sootsayer.rules.book import load_rules
from sootsayer.vehicle import Vehicle

# What a car with air meter, pressure and position has watched after a week of commuting.
WATCHED = frozenset({
    "A1", "A2", "A3", "E1", "E2", "E5", "E6", "F1", "F1S", "F2", "F3", "F3D", "F4", "F7", "M1",
    "M2", "M3", "M4", "N1", "N2", "P1", "P2", "P3C", "P3S", "P3T", "R5",
})  # fmt: skip
BLIND_WATCHED = WATCHED - {"M1", "M2", "M3", "M4", "M8", "F7"}
VALVES = tuple(valve_table())
BY_VACUUM = {"solenoid_dead", "solenoid_vents", "vacuum_supply", "vacuum_source", "diaphragm"}


def on(valve: str, position: bool = True) -> Sight:
    return Sight({valve: 1.0}, position)


def weigh(
    tripped: set[str], exposed: frozenset[str] = WATCHED, sight: Sight | None = None
) -> tuple[Cause, ...]:
    return weigh_causes({rule: rule for rule in tripped}, exposed, sight=sight)


def weights(*arguments: object) -> dict[str, float]:
    return {cause.cause: cause.weight for cause in weigh(*arguments)}


# ---------------------------------------------------------------- the arithmetic


@pytest.mark.parametrize("tripped", [{"F1", "F1S"}, {"M1", "M8", "E1"}, {"M2"}, {"F2", "E2", "N1"}])
def test_weights_are_bayes_by_the_book(tripped):
    """Recomputed with NumPy: cause, kind of valve and whether it is faint together, a plain
    product of prior and likelihoods over what the groups let speak, summed over the rest."""
    table, sight = cause_table(), Sight.unknown()
    said = list(statements(tripped, (WATCHED | tripped) & known_rules()))
    hits = np.array([did for _, did in said])
    joint = np.zeros((len(table.causes), len(VALVES)))
    for row, entry in enumerate(table.causes.values()):
        for column, valve in enumerate(VALVES):
            found = [[expected(entry, rule, valve, True) for rule in rules] for rules, _ in said]
            marked = np.array([max(p for p, _ in of_one) for of_one in found])
            named = np.array([bool(max(of_one)[1]) for of_one in found])
            faint = np.where(named, table.faint_part * marked, marked)
            likely = (1 - table.faint_share) * np.prod(np.where(hits, marked, 1 - marked))
            likely += table.faint_share * np.prod(np.where(hits, faint, 1 - faint))
            whole = sum(other.prior[valve] for other in table.causes.values())
            joint[row, column] = sight.valves[valve] * entry.prior[valve] / whole * likely
    plain = joint.sum(axis=1) / joint.sum()
    told = weights(tripped)
    for name, value in zip(table.causes, plain, strict=True):
        assert told.get(name, 0.0) == pytest.approx(value, rel=1e-9, abs=1e-15)


def test_weights_add_up_and_nothing_tripped_means_nothing_to_explain():
    assert sum(cause.weight for cause in weigh({"F1", "C1 too little"})) == pytest.approx(1.0)
    assert weigh(set()) == ()
    assert weigh({"R1"}) == ()  # gaps in the recording have no cause within the car


def test_a_rule_without_exposure_says_nothing():
    """A car without position sensor cannot acquit the diaphragm by its quiet M1."""
    blind = weights({"F1"}, BLIND_WATCHED, on("lift", position=False))
    seeing = weights({"F1"}, WATCHED, on("lift"))
    assert blind["diaphragm"] > 5 * seeing["diaphragm"]


# ---------------------------------------------------------------- nothing is counted twice


@pytest.mark.parametrize(
    ("once", "again"),
    [
        ({"F1"}, {"F1", "F7", "F3", "F3D"}),
        ({"M8"}, {"M8", "M1"}),
        ({"M2"}, {"M2", "M5"}),
        ({"M4"}, {"M4", "M4D"}),
        ({"C1 too little"}, {"C1 too little", "C2"}),
        ({"P2"}, {"P2", "C3"}),
    ],
)
def test_rules_on_the_same_evidence_weigh_as_one(once, again):
    watched = WATCHED | again
    first, second = weights(once, watched), weights(again, watched)
    for name, weight in first.items():
        assert second[name] == pytest.approx(weight)


def test_groups_share_no_rule_and_name_rules_that_exist():
    rules = set(load_rules()) | {f"C1 {meaning}" for meaning in MEANINGS}
    grouped = [rule for group in cause_table().groups.values() for rule in group]
    assert len(grouped) == len(set(grouped))
    assert set(grouped) <= rules


def test_the_strongest_quiet_rule_still_speaks():
    """A passage that fades without failing yet: F1 watched and quiet belongs to the statement."""
    said = list(statements({"F3D"}, {"F1", "F7", "F3D", "F3"}))
    assert said == [(("F1", "F7"), False), (("F3D",), True)]


def test_silence_of_a_group_is_one_witness():
    """A choke that fades has not failed F1 yet; that F1, F7 and F9 all stay quiet says so once."""
    once = weights({"F3"}, {"F1", "F3"})
    thrice = weights({"F3"}, {"F9", "F1", "F7", "F3"})
    assert thrice["passage_choked"] == pytest.approx(once["passage_choked"], rel=0.05)


def test_what_is_faint_is_not_ruled_out_by_the_silence_of_much():
    """A position that does not come home, and nothing else of a leak: more likely its sensor, but
    carbon under the seat, if faint, stays among the first three."""
    watched = {"M2", "F2", "F2S", "E2", "E5", "M1", "N1"}
    causes = [cause.cause for cause in weigh({"M2"}, watched, on("electric"))]
    assert causes[0] == "position_sensor"
    assert "leaking_shut" in causes[:3]
    loud = weights({"M2", "F2", "E2"}, watched, on("electric"))
    assert loud["leaking_shut"] + loud["stuck_open"] > 0.8


def test_trims_that_moved_point_to_the_air_meter():
    watched = {"F2", "F1", "N2", "P3M"}
    before, after = weights({"F2"}, watched), weights({"F2", TRIMS_MOVED}, watched)
    assert after["air_meter"] > 3 * before["air_meter"]


# ---------------------------------------------------------------- what the table must say


@pytest.mark.parametrize(
    ("tripped", "sight", "first"),
    [
        ({"F1", "F1S", "F7"}, None, "passage_choked"),
        ({"F1", "F1S"}, on("electric"), "passage_choked"),
        ({"M1", "M8"}, on("electric"), "stuck_shut"),
        ({"M1", "M8"}, on("lift"), "stuck_shut"),
        ({"M1", "M8", "C1 circuit"}, on("electric"), "command_circuit"),
        ({"M1", "M3", "M1 sometimes"}, on("electric"), "slow_valve"),
        ({"M4"}, None, "slow_valve"),
        ({"M1", "M8", "M1 sometimes", "M1 small"}, on("electric"), "slow_valve"),
        ({"F2", "E2"}, None, "leaking_shut"),
        ({"M2", "F2", "E2", "E5", "C1 too much"}, None, "stuck_open"),
        ({"M1", "M2"}, on("electric"), "position_sensor"),
        ({"F7S"}, on("electric"), "position_sensor"),
        ({"F7S", "M1"}, on("pressure"), "pressure_hoses"),
        ({"F6"}, on("pressure"), "pressure_hoses"),
        ({"M6", "M1"}, on("lift"), "vacuum_supply"),
        ({"M6D", "F1", "F1S"}, on("vacuum", position=False), "diaphragm"),
        ({"M6R"}, on("vacuum", position=False), "solenoid_vents"),
        ({"M7"}, on("vacuum", position=False), "feedback_part"),
        ({"F5"}, on("vacuum", position=False), "feedback_part"),
        ({"F4"}, on("vacuum", position=False), "back_pressure"),
        ({"F3"}, on("loop"), "cooler"),
        ({"F3D", "C1 cooling"}, on("loop"), "cooler"),
        ({"P1", "P2"}, None, "gear_input"),
        ({"P2"}, None, "inhibited"),
        ({"A1"}, None, "command_wrong"),
        ({"P3C"}, None, "thermostat"),
        ({"P3S"}, None, "coolant_input"),
        ({"P3T"}, None, "throttle_input"),
        ({"P3P"}, None, "pressure_input"),
        ({"P3M", "N2"}, None, "air_meter"),
        ({"N1"}, None, "air_leak"),
        ({"E2"}, on("electric"), "weak_ignition"),
        ({"E5"}, None, "idle_air"),
        ({"E3"}, None, "hot_fuel"),
        ({"R5"}, None, "low_battery"),
        ({"E1"}, None, "fuel_or_carbon"),
        ({"E6"}, None, "cooling"),
    ],
)
def test_the_usual_pictures(tripped, sight, first):
    watched = WATCHED if sight is None or sight.position else BLIND_WATCHED
    assert weigh(tripped, watched | tripped, sight)[0].cause == first


def test_every_customary_cause_is_there():
    """The causes that the trade knows, beside what only looks like recirculation."""
    listed = {
        "gear_input", "throttle_input", "coolant_input", "inhibited", "command_circuit",
        "solenoid_dead", "solenoid_vents", "vacuum_supply", "vacuum_source", "diaphragm",
        "stuck_shut", "stuck_open", "leaking_shut", "slow_valve", "back_pressure", "passage_choked",
        "runner_choked", "feed_pipe", "position_sensor", "feedback_part", "pressure_hoses",
        "cooler", "air_meter", NONE_OF_THESE,
    }  # fmt: skip
    assert listed <= set(cause_table().causes)


def test_every_likelihood_names_a_rule_and_a_reason():
    rules = (
        set(load_rules())
        | {f"C1 {meaning}" for meaning in MEANINGS}
        | {"M1 sometimes", "M1 small", TRIMS_MOVED}
    )
    for name, entry in cause_table().causes.items():
        for shows in (entry.shows, *entry.when.values()):
            for rule, (chance, why) in shows.items():
                assert rule in rules, (name, rule)
                assert 0 < chance < 1
                assert why or name == NONE_OF_THESE, (name, rule)
        assert set(entry.when) <= {*VALVES, "blind"}


def test_every_rule_that_accuses_is_predicted_by_some_cause():
    rules = {name for name, rule in load_rules().items() if rule.link is not None} - {"C1"}
    predicted = {
        rule
        for name, entry in cause_table().causes.items()
        if name != NONE_OF_THESE
        for shows in (entry.shows, *entry.when.values())
        for rule, (chance, _) in shows.items()
        if chance > 0.2
    }
    assert rules - predicted == set()


def test_a_car_without_position_cannot_tell_valve_from_passage_and_does_not_pretend():
    causes = weigh({"F1", "F1S"}, BLIND_WATCHED, on("vacuum", position=False))
    assert causes[0].weight < 0.5
    assert {"passage_choked", "stuck_shut", "diaphragm"} <= {c.cause for c in causes[:6]}


# ---------------------------------------------------------------- kinds of valve


def test_an_electric_valve_has_no_vacuum_parts():
    for tripped in ({"M1", "M8"}, {"F1", "F1S"}, {"M3"}):
        assert not BY_VACUUM & set(weights(tripped, WATCHED, on("electric")))
    assert weights({"M1", "M8"}, WATCHED, on("lift")).keys() >= BY_VACUUM


def test_what_the_car_shows_tells_its_valve():
    petrol, diesel = Vehicle.unknown(), Vehicle("d", 2.0, 4, "diesel")
    seen = sight_of(petrol, ("egr_pct", "egr_err"), position=True).valves
    blind = sight_of(petrol, ("egr_pct",), position=False).valves
    assert seen["vacuum"] < 0.05 < blind["vacuum"]
    assert sight_of(diesel, (), position=True).valves["loop"] > 0.8
    line = sight_of(petrol, ("egr_vacuum_kpa",), position=False).valves
    assert line["electric"] < 0.05
    assert sight_of(petrol, ("egr_pressure_v",), position=True).valves["pressure"] > 0.8
    for valves in (seen, blind, line):
        assert sum(valves.values()) == pytest.approx(1.0)


def test_what_the_vehicle_file_states_is_taken():
    stated = Vehicle("v", 2.4, 4, "petrol", valve="electric")
    assert sight_of(stated, ("egr_vacuum_kpa",), position=True).valve == "electric"


# ---------------------------------------------------------------- none of these


def test_rough_idle_alone_blames_no_part_of_recirculation_for_sure():
    causes = weigh({"E2"}, WATCHED - {"F2"})
    ours = sum(c.weight for c in causes if c.cause in ("leaking_shut", "stuck_open"))
    assert ours < 0.5


@pytest.mark.parametrize("tripped", [{"P1", "F2"}, {"A3", "E6"}, {"M3", "P3P"}, {"N2", "M5", "E6"}])
def test_what_fits_nothing_leaves_weight_to_none_of_these(tripped):
    found = weights(tripped, WATCHED | tripped)
    assert found[NONE_OF_THESE] > 0.1
    assert max(found.values()) < 0.8


# ---------------------------------------------------------------- codes


def test_codes_speak_by_what_they_accuse():
    assert {meaning_of(code) for code in NAMES} <= set(MEANINGS)
    assert meaning_of("P0401") == "too little"
    assert meaning_of("P0402") == "too much"
    assert meaning_of("P0403") == "circuit"
    assert meaning_of("SPN 2791 FMI 5") == "circuit"
    much = weights({"E2", "C1 too much"}, WATCHED | {f"C1 {m}" for m in MEANINGS})
    little = weights({"E2", "C1 too little"}, WATCHED | {f"C1 {m}" for m in MEANINGS})
    assert much["leaking_shut"] > 5 * little["leaking_shut"]
