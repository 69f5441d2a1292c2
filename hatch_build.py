"""Build hook: before anything is packed, the chart library is brought in from npm."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class BringChartLibrary(BuildHookInterface[Any]):
    """Fills ``web/sootsayer_web/static/vendor`` for wheels and editable installs.

    A source archive carries the lock file instead, and fills it when it is built in turn.
    """

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        if self.target_name == "wheel":
            vendor = runpy.run_path(str(Path(self.root) / "web" / "vendor.py"))
            vendor["fill"]()
