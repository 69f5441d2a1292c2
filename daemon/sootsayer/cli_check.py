"""The command that checks a configuration file and runs the pictures of its rules."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("check-config")
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.pass_context
def check_config(context: click.Context, file: Path | None) -> None:
    """Check a vehicle file, settings, or pictures of rules, and run the pictures.

    Without FILE the pictures of the shipped rules. Exit 1 when one comes out otherwise.
    """
    from sootsayer.checking import check_config as check
    from sootsayer.checking import outcome_lines
    from sootsayer.units import say_count

    checked = check(file)
    for outcome in checked.outcomes:
        click.echo("\n".join(outcome_lines(outcome)))
    pictures = say_count(len(checked.outcomes), "picture")
    if checked.failed:
        click.echo(f"{checked.what}: {checked.failed} of {pictures} came out otherwise")
        context.exit(1)
    click.echo(f"{checked.what}: no mistakes, {pictures} as stated")
