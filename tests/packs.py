"""An archive with something to hand over, and packs taken apart and put together again."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from sootsayer.evidence import Request, pack_archive
from sootsayer.model import (
    Alert,
    AlertState,
    Batch,
    Cause,
    Changes,
    Check,
    CodeSeen,
    CodesRead,
    CodeStatus,
    Episode,
    Gap,
    Identity,
    Link,
    LinkFinding,
    LinkState,
    Mark,
    Scaling,
    Series,
    Trip,
    Verdict,
)
from sootsayer.report.pack_file import DEFLATED, STORED, PackReader, PackWriter
from sootsayer.report.pack_making import MANIFEST, SIGNATURE, SIGNED
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey

START = 1_764_000_000_000  # 2025-11-24T16:00:00Z, date -u -d @1764000000
MINUTE = 60_000
HOUR = 3_600_000
VIN = "TESTVIN0000000042"
SCALINGS = {"rpm": Scaling("rpm/4", 0.25, 0.0, "rpm"), "map": Scaling("kpa", 1.0, 0.0, "kPa"),
            "ect": Scaling("celsius", 1.0, -40.0, "°C")}  # fmt: skip
Members = dict[str, bytes]


def drive(start_ms: int, end_ms: int) -> tuple[Series, ...]:
    t_ms = np.arange(start_ms + 500, end_ms + 1, 500, dtype=np.int64)
    n = np.arange(len(t_ms), dtype=np.int64)
    return (
        Series("rpm", SCALINGS["rpm"], t_ms, 3000 + n * 37 % 900),
        Series("map", SCALINGS["map"], t_ms, 40 + n * 7 % 30),
        Series("ect", SCALINGS["ect"], t_ms[::10] + 3, 60 + n[::10] // 100),
    )


def an_alert(first_ms: int, last_ms: int, rule: str = "F1") -> Alert:
    return Alert(
        rule, Link.FLOW, AlertState.OPEN, first_ms, first_ms + 1000, last_ms, None, 3, 4, 312.5,
        0.2, 0.5, "of due", "Hardly any gas although the valve opened",
        "In 3 of 4 openings the gas stayed away.", ("rpm", "map", "boost"),
    )  # fmt: skip


def a_verdict(alerts: tuple[Alert, ...]) -> Verdict:
    return Verdict(
        t_ms=START + 4 * HOUR, vehicle="Blue estate <2.4>", start_ms=START,
        end_ms=START + 4 * HOUR, engine_s=5400.0, trips=3,
        sentence="The valve opens & no gas comes.", why=f"In 3 of 4 openings of {VIN}.",
        links=(
            LinkFinding(Link.PERMIT, LinkState.UNSEEN, 0, 0, 0.0, ""),
            LinkFinding(Link.FLOW, LinkState.BROKEN, 4, 3, 312.5, "3 of 4", ("pressure",)),
        ),
        alerts=alerts,
        causes=(Cause("choked", "The passage is choked", 0.7, ("hot only",), ("cold start",)),),
        next_check=Check("rod", "Rod the passage", "Take it off.", "a wire", 20.0,
                         (("soot", "choked"),), ("It is hot.",), 0.8),
        circumstances=("only when hot",), sure=("four chances",), learned={},
        notes=("The car tells no spark retard.",), repairs=("no repair yet",),
    )  # fmt: skip


def record(path: Path) -> Path:
    """Three drives an hour apart, an alert in the second, remarks with a vehicle number in them."""
    alert = an_alert(START + HOUR + 5 * MINUTE, START + HOUR + 12 * MINUTE)
    with Archive.open(path, DeviceKey.beside(path)) as archive:
        archive.begin_boot("a", 0, START, True)
        for number in range(3):
            begin = START + number * HOUR
            events: tuple[Any, ...] = (
                Identity(begin + 10, "7E8", "vin", VIN),
                CodesRead(begin + 20, "7E8", CodeStatus.PENDING, 1),
                CodeSeen(begin + 20, "7E8", "P0401", CodeStatus.PENDING),
            )
            archive.append(Batch(begin + 20 * MINUTE, drive(begin, begin + 20 * MINUTE), events))
            archive.gap(Gap(begin + 20 * MINUTE, begin + HOUR, "key off"))
            archive.commit()
        archive.mark(Mark(START + HOUR + 6 * MINUTE, f"knocks, says owner of {VIN}", "driver"))
        archive.apply(
            Changes(
                alerts=(alert,),
                episodes=tuple(
                    Episode(
                        "F1",
                        alert.first_ms + at * MINUTE,
                        alert.first_ms + at * MINUTE + 9000,
                        at != 2,
                        0.1 * at,
                        f"opening {at}",
                    )
                    for at in (0, 2, 4, 6)
                ),
                trips=(Trip(1, START, START + 20 * MINUTE, False, 1200.0, 9.5, 4),),
                verdict=a_verdict((alert,)),
            )
        )
        archive.commit()
    return path


def pack(archive: Path, out: Path, **asked: Any) -> Path:
    pack_archive(archive, out, Request(**asked), archive.parent / "control.sock")
    return out


def members(path: Path) -> Members:
    """Name → contents, in order."""
    with PackReader(path) as reader:
        return {name: reader.bytes_of(name, 1 << 30) for name in reader.members}


def put_together(found: Members) -> bytes:
    """A pack of these members as they are, whatever they say."""
    out = io.BytesIO()
    writer = PackWriter(out)
    for name, contents in found.items():
        stored = name.endswith(".chunk") or name in (MANIFEST, SIGNATURE)
        writer.add(name, [contents], STORED if stored else DEFLATED)
    writer.finish()
    return out.getvalue()


def signed_again(found: Members, key: DeviceKey) -> bytes:
    """The same members under a manifest that fits them, signed by ``key``."""
    rest = {n: c for n, c in found.items() if n not in (MANIFEST, SIGNATURE)}
    form = json.loads(found[MANIFEST])
    out = io.BytesIO()
    writer = PackWriter(out)
    listed = []
    for name, contents in rest.items():
        sums = writer.add(name, [contents], STORED if name.endswith(".chunk") else DEFLATED)
        member = writer.members[-1]
        listed.append({
            "name": name, "size": member.size_bytes, "sha256": sums.contents,
            "packed_size": member.packed_bytes, "packed_sha256": sums.packed,
        })  # fmt: skip
    form |= {"members": listed, "public_key": key.public.hex()}
    manifest = json.dumps(form).encode()
    writer.add(MANIFEST, [manifest], STORED)
    writer.add(SIGNATURE, [key.sign(SIGNED + manifest).hex().encode()], STORED)
    writer.finish()
    return out.getvalue()


def changed(found: Members, name: str, change: Callable[[Any], Any]) -> Members:
    """The members with the JSON of one changed."""
    form = change(json.loads(found[name]))
    return found | {name: json.dumps(form).encode()}
