"""The vehicle file: what is asked for, and how mistakes are told."""

from __future__ import annotations

from pathlib import Path

import pytest

from sootsayer.model import SootsayerError
from sootsayer.vehicle import load_vehicle

GOOD = 'name = "Green van"\ndisplacement_l = 1.9\ncylinders = 4\nfuel = "diesel"\n'


def written(folder: Path, text: str) -> Path:
    path = folder / "van.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_four_lines_are_enough(tmp_path):
    vehicle = load_vehicle(written(tmp_path, GOOD))
    assert (vehicle.name, vehicle.displacement_l, vehicle.spark_ignition) == (
        "Green van",
        1.9,
        False,
    )
    assert vehicle.metering is None


def test_all_that_is_missing_is_named_at_once(tmp_path):
    path = written(tmp_path, 'name = "Green van"\nfuel = "diesel"\n')
    with pytest.raises(SootsayerError) as trouble:
        load_vehicle(path)
    assert str(trouble.value) == (
        f"vehicle file {path}: 'displacement_l', 'cylinders' are missing; add lines such as "
        "displacement_l = 2.4 and cylinders = 4"
    )


@pytest.mark.parametrize("key", ["name", "displacement_l", "cylinders", "fuel"])
def test_each_of_the_four_is_needed(tmp_path, key):
    lines = [line for line in GOOD.splitlines() if not line.startswith(f"{key} =")]
    with pytest.raises(SootsayerError, match=f"'{key}' is missing"):
        load_vehicle(written(tmp_path, "\n".join(lines)))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (GOOD + "displacment = 2", ["displacment", "displacement_l"]),
        (GOOD.replace('fuel = "diesel"\n', ""), ["fuel", "missing"]),
        (GOOD.replace("1.9", "1900"), ["1900", "between"]),
        (GOOD.replace("1.9", '"1.9"'), ["displacement_l", "number"]),
        (GOOD.replace("diesel", "coal"), ["coal", "petrol"]),
        (GOOD + 'metering = "both ways"', ["both ways", "maf"]),
        (GOOD.replace("= 4", "= 4.5"), ["cylinders", "whole"]),
        ("name = ", ["not valid TOML"]),
        (GOOD + "rules = 3", ["rules", "table"]),
    ],
)
def test_mistakes_are_named_in_one_line(tmp_path, text, words):
    path = written(tmp_path, text)
    with pytest.raises(SootsayerError) as trouble:
        load_vehicle(path)
    message = str(trouble.value)
    assert "\n" not in message
    for word in [str(path), *words]:
        assert word in message


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(SootsayerError, match="cannot be read"):
        load_vehicle(tmp_path / "none.toml")
