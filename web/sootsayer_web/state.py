"""What one running dashboard holds, kept in the app's extensions and reached from views."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from flask import current_app

from sootsayer_web.limits import Limits
from sootsayer_web.live import Watch
from sootsayer_web.records import Records

KEY = "sootsayer"


@dataclass(frozen=True, slots=True)
class Dashboard:
    """``streams`` counts open live pages; ``stop`` ends them when the server goes down.

    ``control`` is the recorder's socket; ``token`` is what our own pages show when they ask for
    a change. ``packing`` is held while evidence is made.
    """

    records: Records
    limits: Limits
    watch: Watch
    streams: threading.BoundedSemaphore
    stop: threading.Event
    control: Path
    token: str
    packing: threading.Lock


def dashboard() -> Dashboard:
    """The dashboard of the app that answers the present request."""
    return cast(Dashboard, current_app.extensions[KEY])
