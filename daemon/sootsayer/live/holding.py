"""Keeps readings that an evidence pack refers to from being let go of, when somebody asks."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sootsayer.model import SootsayerError
from sootsayer.store.writer import ArchiveWriter

SPAN = re.compile(r"(-?\d{1,18}):(-?\d{1,18})")
LONGEST_REASON = 200  # characters


def held(archive: ArchiveWriter, request: Mapping[str, Any]) -> dict[str, Any]:
    """Hold the spans of a request "hold"; durable when it is answered.

    Raises SootsayerError for another archive than the one recorded, or spans that are none.
    """
    named = Path(request.get("archive", ""))
    if not _is_same(named, archive.path):
        raise SootsayerError(
            f"this recorder writes {archive.path}, not {named}; name the socket of the other one"
        )
    spans = [_span(word) for word in request.get("spans", "").split()]
    reason = request.get("reason", "").strip()[:LONGEST_REASON] or "asked for"
    for start_ms, end_ms in spans:
        archive.hold(start_ms, end_ms, reason)
    return {"held": len(spans)}


def _span(word: str) -> tuple[int, int]:
    found = SPAN.fullmatch(word)
    if found is None or int(found[1]) >= int(found[2]):
        raise SootsayerError(f"hold spans: {word!r} is no span; write START:END in log ms")
    return int(found[1]), int(found[2])


def _is_same(named: Path, archive: Path) -> bool:
    try:
        return named.samefile(archive)
    except OSError:
        return False
