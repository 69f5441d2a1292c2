"""What an AT-command adapter answers, line by line, with the invented car behind it. No I/O.

Timing, echo of single bytes and interruption are the business of ``adapter``, which owns the port.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from sootsayer.demo.control_unit import FUNCTIONAL, REPLY_LESS_REQUEST, Moment
from sootsayer.demo.framing import frames

IDENTITY = "Invented adapter v1.0"
MOST_REQUEST_BYTES = 7
_PLAIN_OK = re.compile(
    r"D|FE|LP|M[01]|NL|AL|AT[012]|ST[0-9A-F]{1,2}|SW[0-9A-F]{2}|CFC[01]|CRA[0-9A-FX]{0,8}|D[01]|BI|R[01]|V[01]"
)
_NAMES = {"6": "ISO 15765-4 (CAN 11/500)"}
_PROTOCOLS = "0123456789ABC"


class Unit(Protocol):
    """What adapter and bus need of a control unit."""

    @property
    def address(self) -> int: ...
    @property
    def pids(self) -> frozenset[int]: ...
    def answer(self, request: bytes, moment: Moment) -> bytes | None: ...


class Car(Protocol):
    """What the adapter needs of a car."""

    @property
    def units(self) -> Sequence[Unit]: ...
    @property
    def key_on(self) -> bool: ...
    @property
    def volts(self) -> float: ...
    @property
    def cranking(self) -> bool: ...
    def advance(self, to_ms: int) -> None: ...
    def moment(self) -> Moment: ...


@dataclass(slots=True)
class Settings:
    """What AT commands change; a reset makes a new one."""

    echo: bool = True
    linefeeds: bool = False
    spaces: bool = True
    headers: bool = False
    formatting: bool = True
    automatic: bool = True
    protocol: str = "0"
    header: int = FUNCTIONAL


@dataclass(slots=True)
class AtCommands:
    """The adapter's mind: its settings, what was sent last, whether a protocol was found."""

    car: Car
    settings: Settings = field(default_factory=Settings)
    connected: bool = False
    last: str = ""

    def answer(self, line: str) -> tuple[list[str], bool]:
        """Lines of the answer to one command, and whether it went to the car.

        An empty line repeats the last command.
        """
        command = re.sub(r"\s", "", line).upper() or self.last
        self.last = command
        if command.startswith("AT"):
            return self._at(command[2:]), False
        if not command:
            return [], False
        if not re.fullmatch(r"[0-9A-F]+", command) or len(command) > 2 * MOST_REQUEST_BYTES + 1:
            return ["?"], False
        return self._request(command), True

    def reset(self) -> None:
        self.settings = Settings()
        self.connected = False

    # ------------------------------------------------------------ AT commands

    def _at(self, command: str) -> list[str]:
        if command in ("Z", "WS"):
            self.reset()
            return ["", IDENTITY, ""]
        exact: dict[str, Callable[[], str]] = {
            "I": lambda: IDENTITY,
            "@1": lambda: "A car's diagnostic socket, invented",
            "RV": lambda: f"{self.car.volts:.1f}V",
            "IGN": lambda: "ON" if self.car.key_on else "OFF",
            "DPN": self._protocol_number,
            "DP": self._protocol_name,
            "PC": self._close,
        }
        if command in exact:
            return [exact[command]()]
        if command == "D":
            self.settings = Settings(echo=self.settings.echo)
        return ["OK"] if self._set(command) or _PLAIN_OK.fullmatch(command) else ["?"]

    def _set(self, command: str) -> bool:
        """Take over a command that changes a setting; False when it is none."""
        switches = {"E": "echo", "L": "linefeeds", "S": "spaces", "H": "headers"}
        if len(command) == 2 and command[0] in switches and command[1] in "01":
            setattr(self.settings, switches[command[0]], command[1] == "1")
            return True
        if command in ("CAF0", "CAF1"):
            self.settings.formatting = command == "CAF1"
            return True
        if found := re.fullmatch(r"SH([0-9A-F]{3}|[0-9A-F]{6})", command):
            self.settings.header = int(found[1], 16)
            return True
        if found := re.fullmatch(rf"(?:SP|TP)(A?)([{_PROTOCOLS}])", command):
            self.settings.automatic = bool(found[1]) or found[2] == "0"
            self.settings.protocol = found[2]
            self.connected = False
            return True
        return False

    def _close(self) -> str:
        self.connected = False
        return "OK"

    def _protocol_number(self) -> str:
        number = "6" if self.connected else self.settings.protocol
        return f"A{number}" if self.settings.automatic else number

    def _protocol_name(self) -> str:
        name = _NAMES.get("6" if self.connected else self.settings.protocol, "")
        if self.settings.automatic:
            return f"AUTO, {name}" if name else "AUTO"
        return name or "another protocol"

    # ------------------------------------------------------------ requests to the car

    def _request(self, command: str) -> list[str]:
        wanted_lines = int(command[-1], 16) if len(command) % 2 else 0
        request = bytes.fromhex(command[: len(command) // 2 * 2])
        searching = self._search()
        if not self.connected:
            return searching
        if not self.car.key_on:
            return [*searching, "NO DATA"]
        lines: list[str] = []
        moment = self.car.moment()
        for unit in self.car.units:
            if self.settings.header in (FUNCTIONAL, unit.address - REPLY_LESS_REQUEST):
                payload = unit.answer(request, moment)
                lines += [] if payload is None else self._lines(unit.address, payload)
        if wanted_lines:
            lines = lines[:wanted_lines]
        return [*searching, *(lines or ["NO DATA"])]

    def _search(self) -> list[str]:
        """Find the protocol if that has not been done; what is printed meanwhile."""
        if self.connected:
            return []
        settings = self.settings
        right = settings.automatic or settings.protocol == "6"
        self.connected = self.car.key_on and right
        if self.connected:
            return ["SEARCHING..."] if settings.automatic else []
        if settings.automatic:
            return ["SEARCHING...", "UNABLE TO CONNECT"]
        if settings.protocol in "345":
            return ["BUS INIT: ...ERROR"]
        return ["CAN ERROR" if settings.protocol in "6789" else "NO DATA"]

    def _lines(self, address: int, payload: bytes) -> list[str]:
        cut = frames(payload)
        if self.settings.headers:
            return [self._spaced(f"{address:03X}", frame) for frame in cut]
        if not self.settings.formatting:
            return [self._spaced("", frame) for frame in cut]
        if len(cut) == 1:
            return [self._spaced("", payload)]
        numbered = [(0, cut[0][2:]), *((frame[0] & 0x0F, frame[1:]) for frame in cut[1:])]
        return [f"{len(payload):03X}", *(f"{n:X}:{self._spaced('', part)}" for n, part in numbered)]

    def _spaced(self, header: str, content: bytes) -> str:
        parts = ([header] if header else []) + [f"{byte:02X}" for byte in content]
        return (" " if self.settings.spaces else "").join(parts)
