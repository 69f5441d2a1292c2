"""Commands that look after an archive itself: is it whole, mend it, copy it."""

from __future__ import annotations

from pathlib import Path

import click

from sootsayer.model import SootsayerError

FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("file", type=FILE)
def verify(file: Path) -> None:
    """Walk the chain of an archive and name the first break; exit 1 if there is one."""
    from sootsayer.progress import ProgressBar
    from sootsayer.report.verify_text import verify_text
    from sootsayer.store.reader import ArchiveReader
    from sootsayer.store.verify import verify as walk

    bar = ProgressBar("verifying")
    try:
        found = walk(file, bar.show)
    finally:
        bar.clear()
    with ArchiveReader(file) as reader:
        times = reader.wall_times()
    click.echo(verify_text(found, times), nl=False)
    if found.broken:
        raise SootsayerError(f"archive {file}: broken at {found.broken}")
