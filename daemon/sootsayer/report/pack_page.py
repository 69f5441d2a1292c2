"""The report in a pack: one page for people, that needs nothing but itself and prints on A4.

Made from the parts of the pack, so that it says nothing that programs could not find there too.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape
from importlib.resources import files
from typing import Any

from sootsayer.report.channel_words import label_of
from sootsayer.report.pack_html import (
    MOST_ROWS,
    bullets,
    counted,
    figure,
    in_groups,
    moment,
    pairs,
    table,
)
from sootsayer.report.pack_strip import strip
from sootsayer.units import say_duration

Part = Mapping[str, Any]
LINK_WORDS = {"unseen": "not seen"}
LEAST_WEIGHT = 0.02  # a cause below this is only in verdict.json
MOST_CHANCES = 20  # of an alert: the drawing shows all of them
QUESTIONS = {
    "permit": "was it allowed?", "ask": "was it asked for?", "move": "did the valve move?",
    "flow": "did gas flow?", "effect": "did the engine feel it?",
}  # fmt: skip
PROVES = (
    "This report is one file of an evidence pack. Beside it lie the readings it rests on, as the "
    "car gave them, and a list of all files with their SHA-256, signed by the device. "
    "“sootsayer verify PACK” checks all of it and names the first thing that is wrong; readme.txt "
    "says how to check without the program.",
    "What that shows: nothing in the pack was changed since the device with this key signed it, "
    "and the readings are those that its chain of records holds. What it does not show: who held "
    "the device, whether its key was copied, or whether what was plugged into it was this car. "
    "Whoever holds the device, or its memory card, could sign anything. Compare the key with one "
    "that was written down before.",
)


def page(title: str, parts: Part, key: str, made: str) -> str:
    """The whole page as HTML. ``key``: the device's public key in hexadecimal."""
    style = files("sootsayer_config").joinpath("pack.css").read_text(encoding="utf-8")
    body = "\n".join(_body(parts, key, made))
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n"
        f"<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def _body(parts: Part, key: str, made: str) -> Iterator[str]:
    verdict, records = parts["verdict"], parts["records"]
    yield from _head(parts, key, made)
    yield from _links(verdict["links"])
    yield from _alerts(parts["alerts"])
    yield from _causes(verdict["causes"])
    yield from _next(verdict["next_check"])
    yield from _facts("When it happens", verdict["circumstances"])
    yield from _facts("How sure this is", verdict["sure"])
    yield from _facts("Before and after the repair", verdict["repairs"])
    yield from _work(records["told"])
    yield from _codes(records)
    yield from _not_seen(verdict, records)
    yield from _remarks(records)
    yield from _clock(parts["clock"])
    yield from _provenance(parts, key, made)


def _head(parts: Part, key: str, made: str) -> Iterator[str]:
    verdict, vehicle = parts["verdict"], parts["vehicle"]
    span = verdict["span"]
    yield '<p class="kind">Exhaust gas recirculation: evidence</p>'
    yield f"<h1>{escape(verdict['sentence'])}</h1>"
    if verdict["why"]:
        yield f"<p>{escape(verdict['why'])}</p>"
    rows = [
        ("Vehicle", verdict["vehicle"]),
        ("Vehicle number", ", ".join(vehicle["vins"]) or "not told by the car"),
    ]
    if span["start"]:
        rows.append(("Watched", f"{moment(span['start'])} to {moment(span['end'])}"))
    rows += [
        ("Engine running", f"{say_duration(span['engine_s'])} in {span['trips']} trips"),
        ("Pack made", moment(made)),
        ("Device key", in_groups(key)),
    ]
    yield pairs(rows)


def _links(links: Sequence[Part]) -> Iterator[str]:
    yield "<h2>The chain, link by link</h2>"
    rows = [
        (
            f"<strong>{escape(one['link'].capitalize())}</strong> "
            f"<span class=soft>{QUESTIONS[one['link']]}</span>",
            escape(LINK_WORDS.get(one["state"], str(one["state"]))),
            f"{one['failed']} of {one['chances']}" if one["chances"] else "none",
            escape(say_duration(one["eligible_s"])),
            escape(one["fact"]),
        )
        for one in links
    ]
    heads = ("Link", "State", "Failed chances", "Watched", "Fact")
    yield table(heads, rows, "Exposure says how much was seen: no state without it")


def _alerts(alerts: Sequence[Part]) -> Iterator[str]:
    yield "<h2>Alerts</h2>"
    if not alerts:
        yield "<p>None in what this pack covers.</p>"
    for alert in alerts:
        yield from _alert(alert)


def _alert(alert: Part) -> Iterator[str]:
    yield f"<section><h3>{escape(alert['title'])}</h3>"
    yield f"<p>{escape(alert['text'])}</p>"
    if alert["doubt"]:
        yield f"<p><strong>In doubt.</strong> {escape(alert['doubt'])}</p>"
    cleared = f", cleared {moment(alert['cleared'])}" if alert["cleared"] else ""
    rows = [
        ("Rule", f"{alert['rule']} ({alert['link'] or 'recorder'})"),
        ("State", f"{alert['state']}{cleared}"),
        ("Seen", f"{alert['seen']} of {alert['chances']} chances"),
        ("Watched", f"{say_duration(alert['eligible_s'])} in which it could show"),
        ("Measured", f"{figure(alert['measure'], alert['unit'])}, "
                     f"limit {figure(alert['limit'], alert['unit'])}"),
        ("First, raised, last", ", ".join(moment(alert[k]) for k in ("first", "raised", "last"))),
        ("Channels", ", ".join(map(label_of, alert["channels"])) or "none"),
        ("Readings in this pack", _readings(alert)),
    ]  # fmt: skip
    yield pairs(rows)
    episodes = alert["episodes"]
    drawn = strip(episodes, alert["limit"])
    if drawn:
        yield f"<figure>{drawn}<figcaption>Every chance in order: a cross failed, a ring passed; "
        yield f"the dashed line is the limit, {figure(alert['limit'], alert['unit'])}."
        yield "</figcaption></figure>"
    newest = list(reversed(episodes))
    if newest:
        rows_of = [
            (moment(one["start_utc"]), "failed" if one["failed"] else "passed",
             figure(one["measure"], alert["unit"]), escape(one["fact"]))
            for one in newest[:MOST_CHANCES]
        ]  # fmt: skip
        heads = ("When, UTC", "Outcome", "Measured", "What was seen")
        caption = counted("chance", len(newest), "alerts.json", MOST_CHANCES)
        yield table(heads, rows_of, caption)
    yield "</section>"


def _readings(alert: Part) -> str:
    long_ms = sum(one["end_ms"] - one["start_ms"] for one in alert["stretches"])
    if not long_ms:
        return "none are kept"
    around = f", around {alert['episodes_with_readings']} of {len(alert['episodes'])} chances"
    return f"{alert['readings']}: {say_duration(long_ms / 1000)}{around}"


def _causes(causes: Sequence[Part]) -> Iterator[str]:
    if not causes:
        return
    yield "<h2>What would explain it</h2>"
    for cause in causes:
        if cause["weight"] < LEAST_WEIGHT:
            continue
        share = f"{100 * cause['weight']:.0f} %"
        yield f"<section><h3>{share}: {escape(cause['title'])}</h3>"
        for word, facts in (("Speaks for it", cause["for"]), ("Against it", cause["against"])):
            if facts:
                yield f"<p>{word}: {escape('; '.join(facts))}.</p>"
        yield "</section>"


def _next(check: Part | None) -> Iterator[str]:
    if check is None:
        return
    yield f"<h2>Check next: {escape(check['title'])}</h2>"
    yield f"<p>{escape(check['do'])}</p>"
    yield pairs([("Tools", check["tools"] or "none"), ("Takes", f"{check['minutes']:g} min")])
    rows = [(escape(one["if"]), escape(one["means"])) for one in check["outcomes"]]
    yield table(("What happens", "What it would mean"), rows, "Outcomes")
    if check["cautions"]:
        yield "<p><strong>Cautions</strong></p>"
        yield bullets(check["cautions"])


def _facts(title: str, facts: Sequence[str]) -> Iterator[str]:
    if facts:
        yield f"<h2>{title}</h2>"
        yield bullets(facts)


def _work(told: Sequence[Part]) -> Iterator[str]:
    """Hand checks and repairs as people recorded them."""
    done = [one for one in told if one["unit"] == "person"]
    if done:
        yield "<h2>What was done by hand</h2>"
        yield bullets(f"{moment(one['t_utc'])}: {one['key']}: {one['value']}" for one in done)


def _codes(records: Part) -> Iterator[str]:
    yield "<h2>Trouble codes</h2>"
    looks = ", ".join(
        f"{one['status']} {one['looks']} times by {one['unit']}" for one in records["looks"]
    )
    yield f"<p>Looked for: {escape(looks) or 'never'}.</p>"
    seen = [(trip["trip"], code) for trip in records["codes"]["trips"] for code in trip["codes"]]
    rows = [
        (str(trip or "–"), escape(code["code"]), escape(code["name"] or ""), escape(code["unit"]),
         escape(", ".join(f"{kind} {count}×" for kind, count in code["seen"].items())),
         moment(code["first_utc"]))
        for trip, code in seen[:MOST_ROWS]
    ]  # fmt: skip
    if rows:
        heads = ("Trip", "Code", "Meaning", "Control unit", "Seen as", "First, UTC")
        yield table(heads, rows, counted("sight", len(seen), "records.json"))
    else:
        yield "<p>None was seen.</p>"
    for frame in records["codes"]["freeze_frames"]:
        values = "; ".join(f"{label_of(name)} {value}" for name, value in frame["values"].items())
        yield (
            f"<p>Freeze frame of {escape(frame['code'])} ({escape(frame['unit'])}, read "
            f"{moment(frame['read_utc'])}): {escape(values) or 'nothing kept'}.</p>"
        )
    for one in records["codes"]["clearings"]:
        signs = "; ".join(one["signs"])
        yield f"<p>Codes were cleared before {moment(one['t_utc'])}: {escape(signs)}.</p>"


def _not_seen(verdict: Part, records: Part) -> Iterator[str]:
    yield "<h2>What was not seen</h2>"
    unseen = [
        f"{one['link'].capitalize()}: {one['fact'] or 'no chance to see it yet'}"
        for one in verdict["links"]
        if one["state"] == "unseen"
    ]
    gaps = records["gaps"]
    lost_s = sum(gap["end_ms"] - gap["start_ms"] for gap in gaps) / 1000
    yield bullets([*unseen, *verdict["notes"]]) if unseen or verdict["notes"] else ""
    if gaps:
        rows = [
            (moment(gap["start_utc"]), say_duration((gap["end_ms"] - gap["start_ms"]) / 1000),
             escape(gap["reason"]))
            for gap in list(reversed(gaps))[:MOST_ROWS]
        ]  # fmt: skip
        yield f"<p>{len(gaps)} stretches without readings, {say_duration(lost_s)} in all:</p>"
        yield table(("From, UTC", "Long", "Why"), rows, counted("gap", len(gaps), "records.json"))
    else:
        yield "<p>No stretch without readings is recorded.</p>"


def _remarks(records: Part) -> Iterator[str]:
    if records["marks"]:
        yield "<h2>Remarks of driver and mechanic</h2>"
        yield bullets(
            f"{moment(one['t_utc'])}: {one['text']}"
            + (f" ({one['author']})" if one["author"] else "")
            for one in records["marks"]
        )
    if records["trips"]:
        yield "<h2>Trips</h2>"
        trips = list(reversed(records["trips"]))
        rows = [
            (str(one["number"]), moment(one["start_utc"]), say_duration(one["running_s"]),
             f"{one['distance_km']:.1f} km", str(one["openings"]))
            for one in trips[:MOST_ROWS]
        ]  # fmt: skip
        heads = ("Trip", "Start, UTC", "Running", "Distance", "Openings")
        yield table(heads, rows, counted("trip", len(trips), "records.json"))


def _clock(clock: Part) -> Iterator[str]:
    yield "<h2>How far the times can be trusted</h2>"
    yield (
        "<p>Order and lengths of time rest on a clock that never steps. Times of day rest on what "
        "the device was told:</p>"
    )
    boots, anchors = clock["boots"], clock["anchors"]
    starts_ms = [boot["started_ms"] for boot in boots]
    said = []
    if not boots or any(one["t_ms"] < starts_ms[0] for one in anchors):
        trusted = "are known" if clock["trusted_before"] else "are as the recording states them"
        said.append(f"{'Before the first start' if boots else 'All'}: times of day {trusted}.")
    for boot, end_ms in zip(boots, [*starts_ms[1:], None], strict=True):
        since_ms = boot["started_ms"]
        own = [a for a in anchors if since_ms <= a["t_ms"] and (not end_ms or a["t_ms"] < end_ms)]
        said.append(_boot_words(boot, own))
    if len(said) > MOST_ROWS:
        yield f"<p>The newest {MOST_ROWS} of {len(said)}; all are in clock.json.</p>"
    yield bullets(said[-MOST_ROWS:])


def _boot_words(boot: Part, anchors: Sequence[Part]) -> str:
    """``anchors`` of this boot; the last one that can be trusted counts for all of it."""
    since = moment(boot["started_utc"])
    if boot["trusted"]:
        by = next((one["source"] for one in reversed(anchors) if one["trusted"]), "told")
        return f"Started {since}: the time of day is known ({by})."
    bounds = [
        f"{word} {moment(boot[key])}"
        for word, key in (("not before", "earliest_utc"), ("not after", "latest_utc"))
        if boot[key]
    ]
    return f"Started {since}: the time of day is not certain{'; ' if bounds else ''}" + (
        f"{', '.join(bounds)}." if bounds else "."
    )


def _provenance(parts: Part, key: str, made: str) -> Iterator[str]:
    chain, vehicle = parts["chain"], parts["vehicle"]
    yield "<h2>Where this comes from</h2>"
    yield "".join(f"<p>{escape(text)}</p>" for text in PROVES)
    stated = vehicle["stated"] or {}
    said = ", ".join(f"{k} {v}" for k, v in stated.items() if v not in (None, {}, ""))
    yield pairs([
        ("Device key", in_groups(key)),
        ("Archive", chain["archive"]),
        ("Chain", chain["words"]),
        ("Judged by version", vehicle["judged_by_version"] or "not told"),
        ("Packed by version", vehicle["packed_by_version"]),
        ("Rules", "rules/ beside this page, as that version has them"),
        ("Stated or assumed of it", said or "nothing"),
    ])  # fmt: skip
    if vehicle["judged_by_version"] not in (None, vehicle["packed_by_version"]):
        yield (
            "<p>Judged by another version than packed: the limits of each alert are those that "
            "stand with it, not those of the rules beside.</p>"
        )
