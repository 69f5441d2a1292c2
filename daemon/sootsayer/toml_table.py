"""Tables that people write in TOML, read key by key: what is wrong is told by place, key and value.

An unknown key is wrong too, because a misspelt key that is silently ignored costs a recording.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from sootsayer.model import SootsayerError


class Table:
    """``keys`` as parsed; ``where`` begins every message, e.g. "stream file x.toml, row 3".

    Each reading method raises SootsayerError when the key is missing without a default, of the
    wrong type or out of range. `end` raises for keys that nobody asked for.
    """

    def __init__(self, keys: Mapping[str, Any], where: str) -> None:
        self.where = where
        self._keys = keys
        self._known: list[str] = []

    def has(self, key: str) -> bool:
        self._known.append(key)
        return key in self._keys

    def names(self) -> tuple[str, ...]:
        return tuple(self._keys)

    def wrong(self, reason: str) -> SootsayerError:
        """The error to raise: this place, then ``reason``."""
        return SootsayerError(f"{self.where}: {reason}")

    def text(self, key: str, default: str | None = None) -> str:
        value = self._value(key, default)
        if not isinstance(value, str) or (not value.strip() and default is None):
            raise self.wrong(f"{key} = {value!r} is not text in quotes")
        return value

    def choice(self, key: str, allowed: Sequence[str], default: str | None = None) -> str:
        value = self._value(key, default)
        if value not in allowed:
            raise self.wrong(f"{key} = {value!r}; choose one of {', '.join(allowed)}")
        return str(value)

    def yes(self, key: str, default: bool | None = None) -> bool:
        value = self._value(key, default)
        if not isinstance(value, bool):
            raise self.wrong(f"{key} = {value!r}; write true or false")
        return value

    def whole(self, key: str, least: int, most: int, default: int | None = None) -> int:
        value = self._value(key, default)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.wrong(f"{key} = {value!r} is not a whole number")
        self._within(key, value, least, most)
        return value

    def number(self, key: str, least: float, most: float, default: float | None = None) -> float:
        value = self._value(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or math.isnan(value):
            raise self.wrong(f"{key} = {value!r} is not a number")
        self._within(key, value, least, most)
        return float(value)

    def octets(self, key: str, default: bytes | None = None) -> bytes:
        """Bytes written as in a manual: "F4 57 01 00 B4"."""
        if default is not None and not self.has(key):
            return default
        text = self.text(key)
        try:
            return bytes.fromhex(text)
        except ValueError:
            raise self.wrong(
                f'{key} = {text!r} is not bytes; write two digits each, as in "0A FF"'
            ) from None

    def pairs(self, key: str) -> tuple[tuple[float, float], ...]:
        """A list of at least two pairs of numbers, first numbers ascending."""
        value = self._value(key, None)
        if not isinstance(value, list) or len(value) < 2 or not all(map(_is_pair, value)):
            raise self.wrong(
                f"{key} = {value!r} is not a list of pairs; write [[0, 0.5], [255, 4.5]]"
            )
        found = tuple((float(x), float(y)) for x, y in value)
        for (before, _), (after, _) in pairwise(found):
            if after <= before:
                raise self.wrong(f"{key}: {after:g} follows {before:g}; first numbers must ascend")
        return found

    def table(self, key: str) -> Table:
        """A table within this one, empty when it is left out."""
        inner = self._keys.get(key, {})
        self._known.append(key)
        if not isinstance(inner, Mapping):
            raise self.wrong(f"{key} = {inner!r} is no table; write [{key}] on a line of its own")
        return Table(inner, f"{self.where}, [{key}]")

    def items(self, key: str) -> list[Mapping[str, Any]]:
        """The tables of a list of tables; at least one."""
        value = self._value(key, None)
        if (
            not isinstance(value, list)
            or not value
            or not all(isinstance(item, Mapping) for item in value)
        ):
            raise self.wrong(f"{key} must be one or more tables; write [[{key}]]")
        return value

    def end(self) -> None:
        """Raise for the first key that nobody asked for."""
        for key in self._keys:
            if key not in self._known:
                near = difflib.get_close_matches(key, self._known, 1)
                hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(self._known)}"
                raise self.wrong(f"unknown key {key!r}; {hint}")

    def _value(self, key: str, default: object) -> Any:
        self._known.append(key)
        if key in self._keys:
            return self._keys[key]
        if default is None:
            raise self.wrong(f"{key!r} is missing; add a line {key} = …")
        return default

    def _within(self, key: str, value: float, least: float, most: float) -> None:
        if not least <= value <= most:
            raise self.wrong(f"{key} = {value!r} is out of range; choose {least:g} to {most:g}")


def _is_pair(value: object) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(isinstance(n, int | float) and not isinstance(n, bool) for n in value)
        and all(math.isfinite(n) for n in value)
    )
