"""Our frozen values as JSON-able structures and back, by their type annotations."""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from typing import Any

import numpy as np

Json = dict[str, "Json"] | list["Json"] | str | int | float | bool | None


def to_plain(value: Any) -> Any:
    """Dataclasses and mappings become objects, tuples lists, enums their words, NaN null."""
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [to_plain(item) for item in value]
    if isinstance(value, np.generic):
        return to_plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def from_plain(kind: Any, plain: Any) -> Any:
    """The value of type ``kind`` whose :func:`to_plain` this is. Null for a float is NaN."""
    origin = typing.get_origin(kind)
    if origin in (types.UnionType, typing.Union):
        return _from_union(typing.get_args(kind), plain)
    if origin is tuple:
        return _from_list(typing.get_args(kind), plain)
    if isinstance(kind, type) and is_dataclass(kind):
        hints = _hints(kind)
        return kind(**{name: from_plain(hints[name], item) for name, item in plain.items()})
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(plain)
    if kind is float:
        return math.nan if plain is None else float(plain)
    return plain


def _from_union(kinds: tuple[Any, ...], plain: Any) -> Any:
    if plain is None and types.NoneType in kinds:
        return None
    rest = [kind for kind in kinds if kind is not types.NoneType]
    return from_plain(rest[0], plain) if len(rest) == 1 else plain


def _from_list(kinds: tuple[Any, ...], plain: Any) -> tuple[Any, ...]:
    if len(kinds) == 2 and kinds[1] is Ellipsis:
        return tuple(from_plain(kinds[0], item) for item in plain)
    return tuple(from_plain(kind, item) for kind, item in zip(kinds, plain, strict=True))


@cache
def _hints(kind: Any) -> dict[str, Any]:
    return typing.get_type_hints(kind)
