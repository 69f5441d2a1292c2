"""State that survives a restart: what a stateful part must remember, as JSON and back.

A part lists its attributes in ``kept``. Floats pass through JSON unchanged to the last bit,
so a restored pipeline finds exactly what an uninterrupted one would have found.
"""

from __future__ import annotations

from collections import deque
from typing import Any, ClassVar

import numpy as np


class Kept:
    """A part with memory. Attributes named in ``kept`` hold numbers, strings, None, lists,
    deques, dicts with string keys, arrays, or further parts."""

    kept: ClassVar[tuple[str, ...]] = ()

    def state(self) -> dict[str, Any]:
        """What must be remembered, ready for ``json.dumps``."""
        return {name: _encode(getattr(self, name)) for name in self.kept}

    def recall(self, state: dict[str, Any]) -> None:
        """Take up a remembered state in place."""
        for name in self.kept:
            setattr(self, name, _decode(getattr(self, name), state[name]))


def _encode(value: Any) -> Any:
    if isinstance(value, Kept):
        return value.state()
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, dict):
        return {key: _encode(item) for key, item in value.items()}
    if isinstance(value, list | deque | tuple):
        return [_encode(item) for item in value]
    if isinstance(value, np.generic):
        return value.item()
    return value


def _decode(template: Any, state: Any) -> Any:
    if isinstance(template, Kept):
        template.recall(state)
        return template
    if isinstance(template, np.ndarray):
        return np.array(state, dtype=template.dtype).reshape(template.shape)
    if isinstance(template, deque):
        return deque(state, maxlen=template.maxlen)
    if isinstance(template, dict):
        return {key: _decode(template.get(key), item) for key, item in state.items()}
    return state
