"""The recorder's clock beside a phone's: what is known of it, and how a phone may set it.

The page measures, the recorder decides: it takes a phone's word only while no time server has set
its clock. What is said afterwards is read back from the archive, so nothing is claimed that was
not kept.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sootsayer.control import ask
from sootsayer.model import SootsayerError
from sootsayer_web.limits import Limits
from sootsayer_web.records import OpenArchive

PHONE = "phone"


def clock_answer(archive: OpenArchive | None, limits: Limits) -> dict[str, Any]:
    """What the recorder's clock says now, whether that can be trusted, and who said so.

    ``may_set``: a phone's word would be taken, because this machine records into the archive at
    present and no time server has set its clock.
    """
    words = {"apart_s": limits.clock_apart_s, "round_trip_s": limits.clock_round_trip_s}
    if archive is None:
        return {"now": None, "trusted": False, "source": None, "may_set": False} | words
    now_ms = archive.times.now_ms()
    trusted = archive.times.trusted(now_ms)
    source = _source(archive)
    return {
        "now": archive.times.iso(now_ms),
        "trusted": trusted,
        "source": source,
        "may_set": archive.times.this_boot and (not trusted or source == PHONE),
    } | words


def set_by_phone(archive: OpenArchive | None, control: Path, said: str) -> dict[str, Any]:
    """Tell the recorder what a phone's clock says, Unix time in ms, and what came of it.

    ``ahead_s``: by how much the phone was ahead. ``kept``: it is in the archive now; False when
    a time server knew better. Raises SootsayerError when no recorder answers, it refuses, or
    what it took did not reach the archive.
    """
    before = _heard_phones(archive)
    shown_ms = None if archive is None else archive.times.wall_ms(archive.times.now_ms())
    answer = ask(control, "clock", wall_ms=said)
    kept = bool(answer["kept"])
    if kept and _heard_phones(archive) <= before:
        raise SootsayerError(
            "the recorder heard this phone's time, but could not store it yet; try again later"
        )
    # Against what was shown, not against the machine's own clock, which a phone does not move.
    ahead_ms = int(answer["ahead_ms"]) if shown_ms is None else int(said) - shown_ms
    return {"kept": kept, "ahead_s": ahead_ms / 1000}


def _source(archive: OpenArchive) -> str | None:
    """Who said last, and could be trusted, what time it is in the boot that is being recorded."""
    boots = archive.reader.boots()
    started_ms = boots[-1].started_ms if boots else 0
    heard = [one for one in archive.reader.anchors() if one.trusted and one.t_ms >= started_ms]
    return heard[-1].source if heard else None


def _heard_phones(archive: OpenArchive | None) -> int:
    """How often a phone was heard, as the archive has it now."""
    anchors = archive.reader.anchors() if archive is not None else []
    return sum(anchor.source == PHONE for anchor in anchors)
