"""What checking a pack showed, for a terminal; and what that is worth."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from sootsayer.report.pack_verify import PackFound
from sootsayer.units import say_count

PROVES = (
    "This shows that nothing in the pack was changed since the holder of that key signed it, that "
    "the tables are what the stored readings say, and that these stand in the device's chain. It "
    "does not show who held the key: whoever has the device or its card could sign anything. "
    "Compare the key with one that was written down before, or give it with --key."
)
WIDTH = 80


def pack_text(found: PackFound, key_given: bool) -> str:
    """A few lines; the first says that the pack is whole."""
    lines = [wrapped for line in _lines(found, key_given) for wrapped in textwrap.wrap(line, WIDTH)]
    return "".join(f"{line}\n" for line in lines)


def _lines(found: PackFound, key_given: bool) -> Iterator[str]:
    yield "The pack is whole."
    yield f"made {found.made} by version {found.program}: {say_count(found.alerts, 'alert')}, " + (
        f"{found.samples} readings, {found.members} files"
    )
    yield f"signed by key {found.public_key}" + (", which is the one given" if key_given else "")
    yield f"archive {found.archive}: {found.chunks} chunks of readings fit the chain, " + (
        f"{found.signed} of them before a head that the device signed"
    )
    if found.unchained:
        yield f"{found.unchained} readings were in no chunk yet: " + (
            "only the pack's own signature covers them"
        )
    for key in found.other_keys:
        yield f"the chain was signed by another key: {key}"
    if found.removals:
        yield f"the chain names {found.removals} deletions on purpose"
    yield PROVES
