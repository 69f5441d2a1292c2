from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from web_serving import WEB


def test_the_lock_file_pins_by_content_and_names_no_host() -> None:
    text = (WEB / "package-lock.json").read_text(encoding="utf-8")
    assert "://" not in text and '"resolved"' not in text
    packages = {name: one for name, one in json.loads(text)["packages"].items() if name}
    assert all(one["integrity"].startswith("sha512-") for one in packages.values())
    shipped = [name for name, one in packages.items() if not one.get("dev")]
    assert shipped == ["node_modules/uplot"]


def test_both_files_are_there_in_the_pinned_version(vendor: dict[str, Any]) -> None:
    assert vendor["is_filled"]()
    assert {file.name for file in vendor["VENDOR"].iterdir()} == set(vendor["BUILT"])


def test_another_version_is_not_taken_for_the_pinned_one(
    vendor: dict[str, Any], tmp_path: Path
) -> None:
    for name in vendor["BUILT"]:
        shutil.copyfile(vendor["VENDOR"] / name, tmp_path / name)
    assert vendor["is_filled"](tmp_path)
    script = tmp_path / vendor["BUILT"][0]
    text = script.read_text(encoding="utf-8")
    script.write_text(text.replace(f"(v{vendor['pinned_version']()})", "(v1.0.0)"))
    assert not vendor["is_filled"](tmp_path)
    script.unlink()
    assert not vendor["is_filled"](tmp_path)


def test_a_refusal_of_npm_is_told_in_its_words(vendor: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / "package.json").write_text('{"name": "x"}', encoding="utf-8")
    with pytest.raises(RuntimeError, match=r"npm ci .* failed"):
        vendor["npm_ci"](web=tmp_path)
