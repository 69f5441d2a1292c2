"""A car of the older links behind an adapter: one parameter a message, check bytes, slow replies.

Forms after protocols: SAE J1850, ISO 9141-2, ISO 14230-4; three codes a message, words in
numbered pieces. Replies take about 0.3 s of log time, as slow as such cars are.
"""

from __future__ import annotations

import threading
from pathlib import Path

from sources.conftest import CAR, TinyAdapter

NUMBERS = {"J1850": "2", "ISO_9141": "3", "KWP": "5"}
VIN = b"SOOTSAYERDEM0CAR1"
CODES = bytes.fromhex("0401 0171 0402 0300 0000 0000")
TESTS = {0x05: "05 01 0012 0040", 0x85: "85 81 0100 0080"}


def crc_j1850(body: bytes) -> int:
    """CRC-8 by polynomial division over all bits, not by the table or shifts of the program."""
    bits = int.from_bytes(body, "big") << 8 ^ 0xFF << 8 * len(body)
    for at in range(8 * len(body) + 7, 7, -1):
        if bits >> at & 1:
            bits ^= 0x11D << at - 8
    return bits & 0xFF ^ 0xFF


class OlderCar(TinyAdapter):
    """``link``: J1850, ISO_9141 or KWP. ``reply_s``: how long the car takes, in real time."""

    def __init__(self, folder: Path, link: str, reply_s: float = 0.0) -> None:
        super().__init__(folder)
        self.link = link
        self.initialised = False
        self.reply_s = reply_s
        self.cut = threading.Event()
        # of a bitmap's second half: tests 05 in the first, 85 beyond what one bitmap tells
        self.car = {pid: bytes.fromhex(text) for pid, text in CAR.items()}

    def _answer(self, line: str) -> str:
        if line == "ATDPN":
            return "A" + NUMBERS[self.link]
        if line == "ATPC":
            self.initialised = False
        return super()._answer(line)

    def _car_says(self, line: str) -> str:
        self.cut.wait(self.reply_s)
        if not self.ignition:
            return "BUS INIT: ...ERROR" if self.link != "J1850" else "NO DATA"
        begin = ""
        if not self.initialised and self.link != "J1850":
            begin = "BUS INIT: OK\r" if self.link == "KWP" else "BUS INIT: ...OK\r"
        self.initialised = True
        messages = self._messages(bytes.fromhex(line[: len(line) // 2 * 2]))
        return begin + ("\r".join(map(self._framed, messages)) if messages else "NO DATA")

    def _messages(self, request: bytes) -> list[bytes]:
        service = request[0]
        if service == 0x01:
            if len(request) != 2 or request[1] not in self.car:
                return []
            return [b"\x41" + request[1:] + self.car[request[1]]]
        if service in (0x03, 0x07):
            codes = CODES if service == 0x03 else bytes(6)
            return [bytes((service | 0x40,)) + codes[at : at + 6] for at in range(0, len(codes), 6)]
        if service == 0x06:
            if request[1] == 0x00:
                return [bytes.fromhex("4600FF08000000")]  # test 05
            test = TESTS.get(request[1])
            return [b"\x46" + bytes.fromhex(test)] if test else []
        if request == b"\x09\x02":
            padded = VIN.rjust(20, b"\0")
            return [bytes((0x49, 0x02, n + 1)) + padded[4 * n : 4 * n + 4] for n in range(5)]
        return []

    def _framed(self, body: bytes) -> str:
        kwp = bytes((0x80 | len(body), 0xF1, 0x10))
        whole = (kwp if self.link == "KWP" else b"\x48\x6b\x10") + body
        check = crc_j1850(whole) if self.link == "J1850" else sum(whole) % 256
        return (whole + bytes((check,))).hex().upper()
