"""What a reader answers with where a value of the model is not enough."""

from __future__ import annotations

from dataclasses import dataclass

from sootsayer.model import Alert, CodeStatus, Scaling


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """A channel under one scaling and what there is of it."""

    id: int
    name: str
    scaling: Scaling
    first_ms: int | None
    last_ms: int | None
    samples: int


@dataclass(frozen=True, slots=True)
class AlertRow:
    """An alert and the number under which pages find it."""

    id: int
    alert: Alert


@dataclass(frozen=True, slots=True)
class BootRow:
    """One boot: ``log time = boot time + offset_ms``."""

    id: int
    boot_id: str
    offset_ms: int
    started_ms: int


@dataclass(frozen=True, slots=True)
class CodeRow:
    """A trouble code of one control unit over all looks that saw it."""

    unit: str
    code: str
    status: CodeStatus
    first_ms: int
    last_ms: int
    seen: int
