"""Commands that look after an archive: is it whole, mend it, copy it, hand evidence over."""

from __future__ import annotations

import os
import re
from pathlib import Path

import click

from sootsayer.model import SootsayerError

FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("file", type=FILE)
@click.option("--key", help="Public key that must have signed it, 64 hexadecimal digits.")
def verify(file: Path, key: str | None) -> None:
    """Check an evidence pack, or walk the chain of an archive; name what is wrong, exit 1."""
    from sootsayer.report.pack_verify import is_pack

    wanted = None if key is None else _public_key(key)
    if is_pack(file):
        _verify_pack(file, wanted)
    else:
        _verify_archive(file, wanted)


def _public_key(text: str) -> str:
    key = "".join(text.split()).lower()
    if not re.fullmatch("[0-9a-f]{64}", key):
        raise click.UsageError(f"--key {text!r} is no public key; it has 64 hexadecimal digits")
    return key


def _verify_pack(file: Path, key: str | None) -> None:
    from sootsayer.progress import ProgressBar
    from sootsayer.report.pack_text import pack_text
    from sootsayer.report.pack_verify import verify_pack

    bar = ProgressBar("verifying")
    try:
        found = verify_pack(file, key, bar.show)
    finally:
        bar.clear()
    click.echo(pack_text(found, key is not None), nl=False)


def _verify_archive(file: Path, key: str | None) -> None:
    from sootsayer.progress import ProgressBar
    from sootsayer.report.verify_text import verify_text
    from sootsayer.store.device_key import fingerprint
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
    if key is not None and found.devices != (fingerprint(bytes.fromhex(key)),):
        signers = ", ".join(found.devices) or "nobody"
        raise SootsayerError(f"archive {file}: was signed by {signers}, not by the key given")


@click.command()
@click.option("--out", required=True, type=FILE, help="The pack to write, e.g. evidence.zip.")
@click.option("--archive", type=FILE, help="The archive file [default: from the settings].")
@click.option("--config", type=FILE, help="Own settings [default: /etc/sootsayer/sootsayer.toml].")
@click.option("--alert", type=int, help="One alert by its number, as the dashboard shows it.")
@click.option("--since", help="UTC, e.g. 2026-11-24T07:30:00Z.")
@click.option("--until", help="UTC. With --since: also all readings between the two.")
@click.option("--with-vin", is_flag=True, help="Do not mask the vehicle's number.")
def pack(
    out: Path,
    archive: Path | None,
    config: Path | None,
    alert: int | None,
    since: str | None,
    until: str | None,
    with_vin: bool,
) -> None:
    """Write evidence that can be handed over: report, findings, readings, signatures."""
    from sootsayer.evidence import Request, pack_archive
    from sootsayer.progress import ProgressBar
    from sootsayer.settings import archive_path, control_socket_path, load_settings
    from sootsayer.store.device_key import KEY_NAME
    from sootsayer.units import say_count

    if alert is not None and (since or until):
        raise click.UsageError("--alert brings its own span; leave --since and --until out")
    settings = load_settings(config)
    source = archive or archive_path(settings, os.environ, Path.home())
    control = control_socket_path(settings, os.environ, source)
    is_new = not (source.parent / KEY_NAME).exists()
    bar = ProgressBar("packing")
    try:
        request = Request(alert, since, until, with_vin)
        made, found = pack_archive(source, out, request, control, bar.show)
    finally:
        bar.clear()
    alerts = say_count(made.alerts, "alert")
    click.echo(f"{out}: {alerts}, {made.samples} readings, {found.members} files")
    if is_new:
        click.echo(
            "no device key lay beside the archive, so one was made: it shows who packed this, not "
            "who recorded it"
        )
    click.echo(f"signed by key {found.public_key}; write it down, and check the pack with:")
    click.echo(f"sootsayer verify {out} --key {found.public_key}")
    for text in made.damaged:
        click.echo(text, err=True)


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
