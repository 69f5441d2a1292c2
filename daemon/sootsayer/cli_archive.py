"""Commands that look after an archive itself: is it whole, mend it, copy it."""

from __future__ import annotations

import os
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


@click.command()
@click.argument("old", type=FILE)
@click.argument("new", type=FILE)
def repair(old: Path, new: Path) -> None:
    """Recover what can be read of the archive OLD into a new one; OLD is never changed."""
    from sootsayer.progress import ProgressBar
    from sootsayer.report.repair_text import repair_text
    from sootsayer.store.reader import ArchiveReader
    from sootsayer.store.repair import repair as recover

    bar = ProgressBar("recovering")
    try:
        found = recover(old, new, bar.show)
    finally:
        bar.clear()
    with ArchiveReader(new) as reader:
        click.echo(repair_text(found, reader.wall_times()), nl=False)


@click.command()
@click.argument("out", type=FILE)
@click.option("--archive", type=FILE, help="The archive file [default: from the settings].")
@click.option("--config", type=FILE, help="Own settings [default: /etc/sootsayer/sootsayer.toml].")
def backup(out: Path, archive: Path | None, config: Path | None) -> None:
    """Copy the archive to OUT as one whole file, also while it is being recorded."""
    from sootsayer.progress import ProgressBar
    from sootsayer.settings import archive_path, load_settings
    from sootsayer.store.backup import backup as copy

    source = archive or archive_path(load_settings(config), os.environ, Path.home())
    bar = ProgressBar("copying")
    try:
        copy(source, out, bar.show)
    finally:
        bar.clear()
    click.echo(f"copied {source} to {out}", err=True)
