"""The verdict in the pinned shape of ``judge --json``."""

from __future__ import annotations

from sootsayer.store.verdict_form import alert_form as alert_json
from sootsayer.store.verdict_form import verdict_form as verdict_json

__all__ = ["alert_json", "verdict_json"]
