"""What findings depend on beside the readings; when it changes, they are judged anew."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from sootsayer import __version__
from sootsayer.vehicle import Vehicle


def fingerprint(vehicle: Vehicle) -> dict[str, Any]:
    """Plain JSON: the version of the program and all that was stated of the car."""
    return {"version": __version__, "vehicle": asdict(vehicle)}
