"""What an AT-command adapter says in words: status strings, alone or glued to a reply.

Working form of a line: capitals without blanks. Strings that say a line is spoiled take the line
with them; strings that only accompany a reply (``SEARCHING...``, ``BUS INIT: OK``) are cut off.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum


class Remark(StrEnum):
    NO_DATA = "no data"
    SEARCHING = "searching"
    UNABLE_TO_CONNECT = "unable to connect"
    BUS_READY = "bus initialised"
    BUS_FAILED = "bus not initialised"
    CAN_ERROR = "CAN error"
    BUS_BUSY = "bus busy"
    BUS_ERROR = "bus error"
    FEEDBACK_ERROR = "own signal not seen"
    DATA_ERROR = "data error"
    RECEIVE_ERROR = "receive error"
    BUFFER_FULL = "buffer full"
    STOPPED = "stopped"
    INTERNAL_ERROR = "internal error"
    CAN_FATAL = "CAN part failed"  # settings are at defaults and the CAN search is blocked
    LOW_VOLTAGE_RESET = "low voltage reset"
    SLEEP_ALERT = "about to sleep"
    UNKNOWN_COMMAND = "command refused"
    RESTARTED = "adapter restarted"
    OK = "ok"


# After these the adapter has lost its settings and everything must be set again.
LOST_SETTINGS = frozenset({Remark.LOW_VOLTAGE_RESET, Remark.CAN_FATAL, Remark.RESTARTED})
# The car did not answer, as far as the adapter can tell.
NO_ANSWER = frozenset(
    {
        Remark.NO_DATA,
        Remark.UNABLE_TO_CONNECT,
        Remark.BUS_FAILED,
        Remark.CAN_ERROR,
        Remark.BUS_BUSY,
        Remark.BUS_ERROR,
    }
)
_ACCOMPANIES = frozenset({Remark.SEARCHING, Remark.BUS_READY})

_PATTERNS = (
    (Remark.SEARCHING, r"SEARCHING[.:]*"),
    (Remark.BUS_READY, r"BUSINIT:?\.*OK"),
    (Remark.BUS_FAILED, r"BUSINIT:?\.*(?:<?ERROR)?"),
    (Remark.NO_DATA, r"NODATA"),
    (Remark.UNABLE_TO_CONNECT, r"UNABLETOCONNECT"),
    (Remark.CAN_ERROR, r"CANERROR"),
    (Remark.BUS_BUSY, r"BUSBUSY"),
    (Remark.BUS_ERROR, r"BUSERROR"),
    (Remark.FEEDBACK_ERROR, r"FBERROR"),
    (Remark.DATA_ERROR, r"<?DATAERROR"),
    (Remark.RECEIVE_ERROR, r"<?RXERROR"),
    (Remark.BUFFER_FULL, r"BUFFERFULL"),
    (Remark.STOPPED, r"STOPPED"),
    (Remark.CAN_FATAL, r"ERR94"),
    (Remark.INTERNAL_ERROR, r"ERR[0-9]{2}"),
    (Remark.LOW_VOLTAGE_RESET, r"LVRESET"),
    (Remark.SLEEP_ALERT, r"!?(?:ACT|LP)ALERT!?"),
)
_ANY = re.compile("|".join(f"(?P<{remark.name}>{text})" for remark, text in _PATTERNS))
_WHOLE = {"?": Remark.UNKNOWN_COMMAND, "OK": Remark.OK}
# A line that names the adapter and a version: it has just started.
_VERSION = re.compile(r"(?=.*[G-Z])[A-Z0-9_-]{2,}.*V[0-9]+\.[0-9]")


def compact(line: str) -> str:
    return line.upper().replace(" ", "").replace("\t", "")


@dataclass(frozen=True, slots=True)
class Said:
    """The remarks of one line and what is left of it: whole lines of digits, or other text."""

    remarks: tuple[Remark, ...]
    rest: tuple[str, ...]


def read_line(line: str) -> Said:
    """Take one line apart. A remark that spoils a line also takes what stands before it."""
    text = compact(line)
    if text in _WHOLE:
        return Said((_WHOLE[text],), ())
    remarks: list[Remark] = []
    rest: list[str] = []
    at = 0
    for match in _ANY.finditer(text):
        remark = Remark[match.lastgroup or ""]
        remarks.append(remark)
        if remark in _ACCOMPANIES and match.start() > at:
            rest.append(text[at : match.start()])
        at = match.end()
    if at < len(text):
        rest.append(text[at:])
    return Said(tuple(remarks), tuple(rest))


def names_adapter(line: str) -> bool:
    """Whether a line looks like the one an adapter prints when it starts."""
    return _VERSION.match(compact(line)) is not None
