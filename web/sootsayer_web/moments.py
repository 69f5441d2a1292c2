"""Moments as they are written outside: UTC ISO 8601 in JSON, and how a query may name one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sootsayer.model import SootsayerError

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
LATEST_MS = 253_402_300_799_999  # the last millisecond of the year 9999


def iso(wall_ms: int) -> str:
    """Unix milliseconds as UTC ISO 8601 with milliseconds: ``2026-11-24T07:49:00.000Z``."""
    moment = EPOCH + timedelta(milliseconds=int(wall_ms))
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def say_moment(wall_ms: int) -> str:
    """What stands in the page before the browser puts in its own zone: ``24 Nov 07:49 UTC``."""
    moment = EPOCH + timedelta(milliseconds=int(wall_ms))
    return f"{moment.day} {moment:%b %H:%M} UTC"


def say_clock(wall_ms: int) -> str:
    """The time of day to the second: ``07:49:30 UTC``."""
    return f"{EPOCH + timedelta(milliseconds=int(wall_ms)):%H:%M:%S} UTC"


def parse_moment(text: str, name: str) -> int:
    """Unix milliseconds of ISO 8601 text or of epoch milliseconds written as digits.

    A time without a zone is UTC, as all times in the interface are. Raises SootsayerError that
    names the parameter, its value and what would be right.
    """
    try:
        wall_ms = int(text) if text.strip().lstrip("-").isdigit() else _from_iso(text)
    except (ValueError, OverflowError):
        wall_ms = -1
    if not 0 <= wall_ms <= LATEST_MS:
        raise SootsayerError(
            f"{name} is {text!r}, not a moment: write it as 2026-11-24T07:49:00Z "
            "or as milliseconds since 1970"
        )
    return wall_ms


def _from_iso(text: str) -> int:
    # A plus sign in a query that was not escaped arrives as a space.
    moment = datetime.fromisoformat(text.strip().replace(" ", "T" if "T" not in text else "+"))
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return round((moment - EPOCH) / timedelta(milliseconds=1))
