"""Rules of the user's own, in the same form as the shipped ones, checked before they run.

A vehicle file may add ``[rules.U1]`` and so on: title, counts, gate with quantity or a measure,
limits, channels, text and reason. Everything that is missing or unknown is named in one line.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Mapping
from typing import Any

from sootsayer.model import Gas, Link, SootsayerError

NAME = re.compile(r"U[1-9][0-9]?")
TEXTS = ("title", "text", "reason")
FILLED = ("seen", "chances", "measure", "limit", "eligible", "unit", "fact")
# How it counts → the limits that it must state.
LIMITS: Mapping[str, tuple[str, ...]] = {
    "time": ("lasting_s", "window_s", "least_s", "least_trips", "raise_share", "clear_share"),
    "chances": ("window", "decide", "least_failed", "raise_share", "clear_run"),
    "level": ("raise_above", "clear_below", "sigmas", "least_rows", "hold_s"),
}
OPTIONAL = ("above", "below", "least_chances")
# Keys of any rule that are no limits.
WORDS = ("title", "link", "kind", "gas", "counts", "noun", "gate", "quantity", "measure",
         "supports", "channels", "needs", "unit", "text", "reason", "tests")  # fmt: skip


def is_own(name: str) -> bool:
    return NAME.fullmatch(name) is not None


def own_rule(entry: Mapping[str, Any], where: str) -> dict[str, Any]:
    """The entry with its defaults. Raises SootsayerError that begins with ``where``."""
    counts = str(entry.get("counts"))
    if counts not in LIMITS:
        raise SootsayerError(f"{where}: counts = {counts!r}; choose one of {', '.join(LIMITS)}")
    _keys(entry, (*WORDS, *LIMITS[counts], *OPTIONAL), where)
    for key in TEXTS:
        if not isinstance(entry.get(key), str) or not entry[key].strip():
            raise SootsayerError(f"{where}: {key!r} is missing; say it in quotes")
    _text(entry["text"], where)
    channels = entry.get("channels")
    if not _words(channels) or not channels:
        raise SootsayerError(f"{where}: channels = {channels!r}; list what to draw, in brackets")
    needs = entry.get("needs", channels)
    if not _words(needs):
        raise SootsayerError(f"{where}: needs = {needs!r}; list channels, in brackets")
    link = entry.get("link")
    if link is not None and link not in list(Link):
        raise SootsayerError(f"{where}: link = {link!r}; choose one of {', '.join(Link)}")
    for key in ("supports", "gas", "kind", "noun", "unit"):
        _kind_of_word(entry, key, where)
    _numbers(entry, counts, where)
    if counts == "chances" and "fail_above" not in entry and "fail_below" not in entry:
        raise SootsayerError(f"{where}: limit 'fail_above' is missing; add a line fail_above = …")
    noun = "chances" if counts == "chances" else ""
    return {"kind": "own rule", "noun": noun, "needs": list(needs), **entry}


def _kind_of_word(entry: Mapping[str, Any], key: str, where: str) -> None:
    if key not in entry:
        return
    value = entry[key]
    if key == "supports":
        if not _words(value) or any(link not in list(Link) for link in value):
            raise SootsayerError(f"{where}: supports = {value!r}; list links: {', '.join(Link)}")
    elif key == "gas":
        if not _words(value) or any(what not in list(Gas) for what in value):
            raise SootsayerError(f"{where}: gas = {value!r}; list what it says: {', '.join(Gas)}")
    elif not isinstance(value, str):
        raise SootsayerError(f"{where}: {key} = {value!r}; say it in quotes")


def _words(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(word, str) for word in value)


def _text(text: str, where: str) -> None:
    """A text may hold figures in braces, by known names only."""
    try:
        text.format(seen=1, chances=1, measure=1.0, limit=1.0, eligible="", unit="", fact="")
    except (KeyError, IndexError, ValueError):
        raise SootsayerError(
            f"{where}: text = {text!r}; in braces only {', '.join(FILLED)} may stand"
        ) from None


def _numbers(entry: Mapping[str, Any], counts: str, where: str) -> None:
    for key in LIMITS[counts]:
        if key not in entry:
            raise SootsayerError(f"{where}: limit {key!r} is missing; add a line {key} = …")
    for key in (*LIMITS[counts], *OPTIONAL):
        value = entry.get(key, 0)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise SootsayerError(f"{where}: {key} = {value!r}; give a number")
    if counts == "time" and ("above" in entry) == ("below" in entry):
        raise SootsayerError(f"{where}: state either above = … or below = …")


def _keys(entry: Mapping[str, Any], known: Collection[str], where: str) -> None:
    fail_limits = ("fail_above", "fail_below")
    for key, value in entry.items():
        # A measure of chances may use limits of its own; they are numbers, checked by name later.
        if key in known or key in fail_limits:
            continue
        near = difflib.get_close_matches(key, known, 1)
        if near or isinstance(value, bool) or not isinstance(value, int | float):
            hint = f"did you mean {near[0]!r}?" if near else f"known keys: {', '.join(known)}"
            raise SootsayerError(f"{where}: unknown key {key!r}; {hint}")


def measure_limits(
    name: str, entry: Mapping[str, Any], shipped: Mapping[str, Mapping[str, Any]]
) -> None:
    """Whether an own rule states every limit that the shipped rule with its measure states, for
    the measure looks at them. Raises SootsayerError."""
    for like, other in shipped.items():
        if entry.get("measure") and other.get("measure") == entry["measure"]:
            numbers = [key for key, value in other.items() if isinstance(value, int | float)]
            for key in numbers:
                if key not in entry and key not in OPTIONAL:
                    raise SootsayerError(
                        f"rules.{name}: limit {key!r} is missing, which the measure "
                        f"{entry['measure']!r} looks at; rule {like} has {other[key]:g}"
                    )


def known_names(
    rules: Mapping[str, Any], gates: Collection[str], quantities: Collection[str],
    chances: Collection[str], levels: Collection[str],
) -> None:  # fmt: skip
    """Whether gates, quantities and measures are names that exist. A quantity may also be one
    of the rule's own channels. Raises SootsayerError naming rule, key, value and choices."""
    for name, rule in rules.items():
        where = f"rules.{name}"
        if rule.counts == "time" and rule.quantity != "gap":
            _one_of(rule.gate, gates, f"{where}: gate")
            _one_of(rule.quantity, (*quantities, *rule.needs), f"{where}: quantity")
        elif rule.counts == "chances":
            _one_of(rule.measure, chances, f"{where}: measure")
        elif rule.counts == "level":
            _one_of(rule.measure, levels, f"{where}: measure")


def _one_of(name: str, choices: Collection[str], where: str) -> None:
    if name not in choices:
        near = difflib.get_close_matches(name, list(choices), 1)
        hint = f"did you mean {near[0]!r}?" if near else f"choose one of {', '.join(choices)}"
        raise SootsayerError(f"{where} = {name!r}; {hint}")
