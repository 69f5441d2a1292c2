"""Pictures of rules: the shipped ones come out as stated, and mistakes in them are seen."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from sootsayer.checking import check_config
from sootsayer.cli import commands
from sootsayer.model import SootsayerError
from sootsayer.rules.book import load_rules

OWN = """
name = "Van"
displacement_l = 2.0
cylinders = 4
fuel = "petrol"

[rules.U1]
title = "Boost hose warm"
counts = "chances"
measure = "frozen"
window = 20
decide = 5
least_failed = 2
raise_share = 0.0
clear_run = 3
fail_above = 0.5
channels = ["map"]
text = "{fact}"
reason = "to see whether it works"
least_chances = 1

[rules.U1.tests]
"two of them" = [".#.#.", STATES]
"""


def test_every_shipped_picture_comes_out_as_stated():
    checked = check_config(None)
    assert [o.test for o in checked.outcomes if not o.agrees] == []


def test_every_shipped_rule_has_a_picture_that_trips_and_one_that_stays_quiet():
    outcomes = check_config(None).outcomes
    trips = {o.test.rule for o in outcomes if "!" in o.found}
    quiet = {o.test.rule for o in outcomes if "!" not in o.found and "#" in o.test.picture}
    still = {o.test.rule for o in outcomes if "!" not in o.found}
    rules = load_rules()
    assert set(rules) - trips == set()
    assert set(rules) - still == set()
    # Where a rule can bear a failure or two, its quiet picture shows one.
    patient = {n for n, r in rules.items() if r.limits.get("least_failed", 1) > 1}
    assert patient - quiet == set()


@pytest.mark.parametrize(("states", "code"), [("---!!", 0), ("-----", 1)])
def test_own_pictures_are_run_and_told(tmp_path, states, code):
    path = tmp_path / "van.toml"
    path.write_text(OWN.replace("STATES", f'"{states}"'), encoding="utf-8")
    result = CliRunner().invoke(commands, ["check-config", str(path)])
    assert result.exit_code == code, result.output
    assert "picture  .#.#." in result.output
    assert ("came out otherwise" in result.output) == bool(code)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[tests.M1]\n"x" = ["..", "-"]', ["2 signs", "1"]),
        ('[tests.M1]\n"x" = [".o", "--"]', ["'o'", "no sign"]),
        ('[tests.Z1]\n"x" = ["..", "--"]', ["Z1", "rules are"]),
        ('[tests.C1]\n"x" = ["~.", "--"]', ["'~'", "no sign"]),
        ('[tests.M5]\n"x" = ["~.", "--"]', ["'~'", "no sign"]),
        ('[tests.M1]\n"x" = ".."', ["M1.x", "two texts"]),
        ("[tests", ["TOML"]),
    ],
)
def test_mistakes_in_pictures_are_named(tmp_path, text, words):
    path = tmp_path / "pictures.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SootsayerError) as trouble:
        check_config(path)
    for word in words:
        assert word in str(trouble.value)


def test_settings_are_checked_too(tmp_path):
    path = tmp_path / "settings.toml"
    path.write_text("[recorder]\ncommit_seconds = 2\n", encoding="utf-8")
    with pytest.raises(SootsayerError, match="commit_seconds"):
        check_config(path)
