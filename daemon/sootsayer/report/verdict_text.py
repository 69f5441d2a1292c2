"""The verdict as text for a terminal: the sentence first, figures after."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

LEAST_WEIGHT = 0.02  # a cause below this is only in the JSON
WIDTH = 80  # columns of an ordinary terminal


def verdict_text(verdict: Mapping[str, Any]) -> str:
    """``verdict`` as made by `sootsayer.report.verdict_json`; lines of at most 80 columns."""
    parts = (_head, _links, _alerts, _causes, _next_check, _circumstances, _notes)
    paragraphs = ["\n".join(lines) for part in parts if (lines := list(part(verdict)))]
    return "\n\n".join(paragraphs) + "\n"


def _head(verdict: Mapping[str, Any]) -> Iterator[str]:
    yield from _wrapped(verdict["sentence"])
    if verdict["why"]:
        yield from _wrapped(verdict["why"])
    span = verdict["span"]
    if span["start"]:
        yield ""
        yield from _wrapped(
            f"{verdict['vehicle']}: {_plural(span['trips'], 'trip')}, "
            f"{_hours(span['engine_s'])} of running engine, "
            f"from {_moment(span['start'])} to {_moment(span['end'])} UTC."
        )


def _links(verdict: Mapping[str, Any]) -> Iterator[str]:
    for link in verdict["links"]:
        chances = f"{link['failed']} of {link['chances']} failed" if link["chances"] else ""
        head = f"{link['link']:<7} {link['state']:<9} {chances:<18} "
        yield from _wrapped(f"{head}{link['fact']}".rstrip(), hanging=len(head))


def _alerts(verdict: Mapping[str, Any]) -> Iterator[str]:
    if not verdict["alerts"]:
        yield "No alerts."
    for alert in verdict["alerts"]:
        yield from _wrapped(f"Alert {alert['rule']}, {alert['state']}: {alert['text']}")
        yield from _wrapped(
            f"  seen {alert['seen']} of {_plural(alert['chances'], 'chance')}, "
            f"first {_moment(alert['first'])}, last {_moment(alert['last'])}",
            hanging=2,
        )


def _causes(verdict: Mapping[str, Any]) -> Iterator[str]:
    if verdict["causes"]:
        yield "What would explain it:"
    for cause in verdict["causes"]:
        if cause["weight"] < LEAST_WEIGHT:
            continue
        name = cause["title"]
        yield from _wrapped(f"  {100 * cause['weight']:3.0f} %  {name}", hanging=9)
        for word, facts in (("for", cause["for"]), ("against", cause["against"])):
            if facts:
                yield from _wrapped(f"         {word}: {'; '.join(facts)}", hanging=11)


def _next_check(verdict: Mapping[str, Any]) -> Iterator[str]:
    check = verdict["next_check"]
    if not check:
        return
    yield from _wrapped(f"Do this next: {check['title']} ({check['minutes']:g} min)")
    yield from _wrapped(f"  {check['do']}", hanging=2)
    if check["tools"]:
        yield from _wrapped(f"  Tools: {check['tools']}", hanging=2)
    for outcome in check["outcomes"]:
        yield from _wrapped(f"  {outcome['if']}: {outcome['means']}", hanging=4)
    for caution in check["cautions"]:
        yield from _wrapped(f"  Caution: {caution}", hanging=4)


def _circumstances(verdict: Mapping[str, Any]) -> Iterator[str]:
    for title, facts in (
        ("When it happens:", verdict["circumstances"]),
        ("How sure:", verdict["sure"]),
        ("Before and after the repair:", verdict["repairs"]),
    ):
        if facts:
            yield title
        for fact in facts:
            yield from _wrapped(f"  {fact}", hanging=2)


def _notes(verdict: Mapping[str, Any]) -> Iterator[str]:
    for note in verdict["notes"]:
        yield from _wrapped(f"Note: {note}", hanging=6)


def _wrapped(text: str, hanging: int = 0) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        subsequent_indent=" " * hanging,
        drop_whitespace=True,
        replace_whitespace=False,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _plural(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _hours(seconds: float) -> str:
    return f"{seconds / 3600:.1f} h" if seconds >= 5400 else f"{seconds / 60:.0f} min"


def _moment(iso: str) -> str:
    """ "2026-11-24T07:30:12.345Z" to the minute, as a person would write it."""
    return iso[:16].replace("T", " ")
