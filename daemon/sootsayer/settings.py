"""Settings: the shipped file, with a person's own file laid over it, as frozen values.

What is wrong in a person's file is told at once, by file, key and value; an unknown key is
wrong too, because a misspelt key that is silently ignored costs a day's recording.
"""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any, get_type_hints

from sootsayer.model import SootsayerError

MACHINE_FILE = Path("/etc/sootsayer/sootsayer.toml")
NAMED_BY_PERSON = "sensors"  # the one section whose keys are names that a person gives


def _within(least: float, most: float) -> Any:
    """A field that must lie in ``least`` .. ``most``, both included."""
    return field(metadata={"least": least, "most": most})


@dataclass(frozen=True, slots=True)
class AdapterSettings:
    port: str


@dataclass(frozen=True, slots=True)
class VehicleSettings:
    file: str


@dataclass(frozen=True, slots=True)
class ArchiveSettings:
    path: str


@dataclass(frozen=True, slots=True)
class RetentionSettings:
    full_days: float = _within(1, 36_500)
    around_days: float = _within(1, 36_500)
    around_s: float = _within(0, 86_400)
    most_mb: float = _within(0, 10_000_000)
    least_free_mb: float = _within(0, 1_000_000)


@dataclass(frozen=True, slots=True)
class RecorderSettings:
    commit_s: float = _within(0.5, 60)
    idle_commit_s: float = _within(1, 60)
    batch_s: float = _within(0.05, 10)
    lateness_s: float = _within(0.05, 5)
    queue_readings: int = _within(100, 10_000_000)
    findings_s: float = _within(0, 3600)
    save_state_s: float = _within(10, 86_400)
    gap_s: float = _within(1, 600)
    parked_s: float = _within(0, 3600)
    retry_first_s: float = _within(0.05, 60)
    retry_longest_s: float = _within(0.05, 3600)


@dataclass(frozen=True, slots=True)
class ClockSettings:
    synchronised_file: str
    step_s: float = _within(0.1, 3600)


@dataclass(frozen=True, slots=True)
class ControlSettings:
    socket: str


@dataclass(frozen=True, slots=True)
class DashboardSettings:
    host: str
    http_port: int = _within(0, 65_535)


@dataclass(frozen=True, slots=True)
class CanChoice:
    """A CAN interface to read the car at, as python-can names it. ``channel`` "": none."""

    channel: str
    interface: str
    listen_only: bool
    dbc: str = ""
    signals: str = ""


@dataclass(frozen=True, slots=True)
class StreamFileSettings:
    file: str


@dataclass(frozen=True, slots=True)
class SensorsSettings:
    """What a person wrote under [sensors.NAME], unchecked: `sources.sensors` knows the kinds.

    ``where``: the file, as errors begin.
    """

    stated: Mapping[str, Any]
    where: str


@dataclass(frozen=True, slots=True)
class Settings:
    """One attribute for each section of the file."""

    adapter: AdapterSettings
    vehicle: VehicleSettings
    archive: ArchiveSettings
    retention: RetentionSettings
    recorder: RecorderSettings
    clock: ClockSettings
    control: ControlSettings
    dashboard: DashboardSettings
    stream: StreamFileSettings
    can: CanChoice
    sensors: SensorsSettings


def shipped_settings() -> Settings:
    """The settings as shipped, whatever a person has changed on this machine."""
    return load_settings(machine_file=None)


def load_settings(
    own_file: Path | None = None, machine_file: Path | None = MACHINE_FILE
) -> Settings:
    """The shipped settings with ``own_file`` laid over them.

    Without ``own_file`` the machine's file is used if it exists. Raises SootsayerError naming
    file, key and value for anything unreadable, unknown, of the wrong type or out of range.
    """
    shipped = resources.files("sootsayer_config").joinpath("settings.toml")
    tables: dict[str, Any] = tomllib.loads(shipped.read_text(encoding="utf-8"))
    chosen = own_file
    if chosen is None and machine_file is not None and machine_file.exists():
        chosen = machine_file
    if chosen is not None:
        _lay_over(tables, _read_toml(chosen), chosen)
    return _build(tables, chosen or Path("settings.toml"))


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SootsayerError(
            f"settings file {path} cannot be read: {error.strerror}; check the path"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SootsayerError(
            f"settings file {path} is not valid TOML: {error}; mend that place"
        ) from error


def _lay_over(shipped: dict[str, Any], own: Mapping[str, Any], path: Path) -> None:
    """Replace single keys of ``shipped``; unknown sections and keys are errors."""
    for section, keys in own.items():
        if section not in shipped:
            raise _unknown(path, section, shipped)
        if not isinstance(keys, dict):
            raise SootsayerError(
                f"settings file {path}: {section} = {keys!r} is not a section; "
                f"write [{section}] on a line of its own"
            )
        for key, value in keys.items():
            if key not in shipped[section] and section != NAMED_BY_PERSON:
                raise _unknown(path, f"{section}.{key}", shipped[section])
            shipped[section][key] = value


def _unknown(path: Path, key: str, known: Mapping[str, Any]) -> SootsayerError:
    return SootsayerError(
        f"settings file {path}: unknown key {key}; known here are {', '.join(known)}"
    )


def _build(tables: Mapping[str, Mapping[str, Any]], path: Path) -> Settings:
    sections: dict[str, Any] = {}
    for name, kind in get_type_hints(Settings).items():
        if kind is SensorsSettings:
            sections[name] = SensorsSettings(tables[name], f"settings file {path}")
            continue
        hints = get_type_hints(kind)
        sections[name] = kind(
            **{
                key.name: _checked(
                    tables[name][key.name],
                    hints[key.name],
                    key.metadata,
                    f"{path}: {name}.{key.name}",
                )
                for key in dataclasses.fields(kind)
            }
        )
    return Settings(**sections)


def _checked(value: Any, wanted: type, limits: Mapping[str, Any], where: str) -> Any:
    words = {str: "text in quotes", int: "a whole number", float: "a number", bool: "true or false"}
    fitting = (int, float) if wanted is float else (wanted,)
    if isinstance(value, bool) != (wanted is bool) or not isinstance(value, fitting):
        raise SootsayerError(f"settings file {where} = {value!r} is not {words[wanted]}")
    if limits and not limits["least"] <= value <= limits["most"]:
        raise SootsayerError(
            f"settings file {where} = {value} is out of range; "
            f"choose {limits['least']} to {limits['most']}"
        )
    return wanted(value)


# ---------------------------------------------------------------- where things are


def archive_path(settings: Settings, environ: Mapping[str, str], home: Path) -> Path:
    """Where the archive lies: the setting, or under systemd its state directory, or ``home``."""
    if settings.archive.path:
        return Path(settings.archive.path).expanduser()
    # systemd gives several directories separated by colons; the first is ours.
    state = environ.get("STATE_DIRECTORY", "").split(":")[0]
    if state:
        return Path(state) / "archive.db"
    return home / ".local" / "share" / "sootsayer" / "archive.db"


def control_socket_path(settings: Settings, environ: Mapping[str, str], archive: Path) -> Path:
    """Where the recorder listens for requests: the setting, systemd's, or beside ``archive``."""
    if settings.control.socket:
        return Path(settings.control.socket).expanduser()
    runtime = environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    return (Path(runtime) if runtime else archive.parent) / "control.sock"
