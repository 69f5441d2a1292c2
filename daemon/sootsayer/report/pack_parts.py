"""The parts of a pack that programs read: plain JSON, every log time with its UTC beside it."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from importlib.resources import files
from typing import Any

from sootsayer import __version__
from sootsayer.model import CodesRead
from sootsayer.report.codes import codes_of
from sootsayer.report.pack_choice import AlertEvidence, Wanted
from sootsayer.report.pack_readings import Clock
from sootsayer.store.plain import to_plain
from sootsayer.store.reader import BEGINNING_MS, END_MS, ArchiveReader
from sootsayer.store.verdict_form import alert_form
from sootsayer.store.walltime import utc_text

VIN_SHOWN = 4  # last characters, which tell two cars apart and identify neither
RULE_FILES = ("rules.toml", "causes.toml", "checks.toml")


def vins_of(reader: ArchiveReader) -> frozenset[str]:
    """Every vehicle number that a control unit told."""
    return frozenset(one.value for one in reader.identities() if one.key == "vin")


class Masking:
    """Takes vehicle numbers out of text, all but their last characters; or lets them be."""

    def __init__(self, vins: Collection[str], with_vin: bool) -> None:
        self._vins = () if with_vin else tuple(sorted(vins))

    def text(self, text: str) -> str:
        for vin in self._vins:
            text = text.replace(vin, "*" * (len(vin) - VIN_SHOWN) + vin[-VIN_SHOWN:])
        return text

    def json(self, value: Any) -> bytes:
        """A member of the pack."""
        text = json.dumps(to_plain(value), ensure_ascii=False, indent=1)
        return (self.text(text) + "\n").encode("utf-8")


def with_utc(value: Any, clock: Clock) -> Any:
    """The same with ``NAME_utc`` beside every whole number ``NAME_ms``, which is a log time."""
    if isinstance(value, Mapping):
        form: dict[str, Any] = {}
        for key, item in value.items():
            form[key] = with_utc(item, clock)
            if key.endswith("_ms") and isinstance(item, int):
                form[f"{key[:-3]}_utc"] = clock.utc(item)
        return form
    if isinstance(value, list | tuple):
        return [with_utc(item, clock) for item in value]
    return value


def alerts_part(evidence: Sequence[AlertEvidence], reader: ArchiveReader) -> list[Any]:
    times = reader.wall_times()
    return [
        {
            "id": one.number,
            **alert_form(one.alert, lambda t_ms: times.wall_ms(t_ms)[0]),
            "episodes": to_plain(list(one.episodes)),
            "stretches": [{"start_ms": start, "end_ms": end} for start, end in one.stretches],
            "episodes_with_readings": one.shown,
            "readings": f"readings/alert-{one.number}.csv",
        }
        for one in evidence
    ]


def records_part(reader: ArchiveReader, wanted: Wanted) -> dict[str, Any]:
    """Trips, marks, gaps, codes and what control units say of themselves; in the wanted span."""
    since_ms = BEGINNING_MS if wanted.since_ms is None else wanted.since_ms
    until_ms = END_MS if wanted.until_ms is None else wanted.until_ms
    return {
        "trips": to_plain([t for t in reader.trips() if wanted.touches(t.start_ms, t.end_ms)]),
        "marks": to_plain([m for m in reader.marks() if wanted.touches(m.t_ms - 1, m.t_ms)]),
        "gaps": to_plain([g for g in reader.gaps() if wanted.touches(g.start_ms, g.end_ms)]),
        "codes": codes_of(reader, since_ms, until_ms),
        "looks": _looks(reader.looks(since_ms, until_ms)),
        "told": [to_plain(one) for one in reader.identities()],
    }


def _looks(looks: Sequence[CodesRead]) -> list[dict[str, Any]]:
    """How often codes were looked for: none found is a fact only beside it."""
    counted: dict[tuple[str, str], list[CodesRead]] = {}
    for look in looks:
        counted.setdefault((look.unit, look.status.value), []).append(look)
    return [
        {"unit": unit, "status": status, "looks": len(found), "last_ms": found[-1].t_ms}
        for (unit, status), found in sorted(counted.items())
    ]


def clock_part(reader: ArchiveReader, clock: Clock) -> dict[str, Any]:
    """How log time becomes wall time, and everything that this rests on."""
    times = reader.wall_times()
    boots = []
    for boot in reader.boots():
        earliest_ms, latest_ms = times.bounds_ms(boot.started_ms)
        boots.append({
            "started_ms": boot.started_ms, "boot": boot.boot_id,
            "trusted": times.wall_ms(boot.started_ms)[1],
            "earliest_utc": None if earliest_ms is None else utc_text(earliest_ms),
            "latest_utc": None if latest_ms is None else utc_text(latest_ms),
        })  # fmt: skip
    anchors = [
        {"t_ms": one.t_ms, "said_utc": utc_text(one.wall_ms), "trusted": one.trusted,
         "source": one.source}
        for one in reader.anchors()
    ]  # fmt: skip
    return {
        "from_ms": list(clock.from_ms),
        "leads_ms": list(clock.leads_ms),
        "trusted_before": times.wall_ms(clock.from_ms[0] - 1 if clock.from_ms else 0)[1],
        "boots": boots,
        "anchors": anchors,
    }


def vehicle_part(reader: ArchiveReader, vins: Collection[str]) -> dict[str, Any]:
    """What was stated of the car, and by which version it was judged and packed."""
    found = reader.state("fingerprint") or {}
    return {
        "vins": sorted(vins),
        "stated": found.get("vehicle"),
        "judged_by_version": found.get("version"),
        "packed_by_version": __version__,
    }


def rule_texts() -> dict[str, str]:
    """The files with every rule, cause and check, as this program has them."""
    folder = files("sootsayer_config")
    return {name: folder.joinpath(name).read_text(encoding="utf-8") for name in RULE_FILES}
