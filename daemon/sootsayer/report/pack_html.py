"""Pieces of HTML that the report of a pack is made of: tables, pairs, lists, moments, figures."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

MOST_ROWS = 60  # of a table; the rest is counted and in the JSON beside


def table(heads: Iterable[str], rows: Iterable[Sequence[str]], caption: str) -> str:
    """Cells are HTML already."""
    words = [escape(word) for word in heads]
    head = "".join(f'<th scope="col">{word}</th>' for word in words)
    body = "".join(
        "<tr>"
        + "".join(
            f'<td data-label="{word}">{cell}</td>' for word, cell in zip(words, row, strict=True)
        )
        + "</tr>\n"
        for row in rows
    )
    return (
        f'<div class="wide"><table><caption>{escape(caption)}</caption>\n'
        f"<thead><tr>{head}</tr></thead>\n<tbody>{body}</tbody></table></div>"
    )


def pairs(rows: Iterable[tuple[str, str]]) -> str:
    inside = "".join(
        f"<div><dt>{escape(word)}</dt><dd>{escape(str(said))}</dd></div>\n" for word, said in rows
    )
    return f"<dl>{inside}</dl>"


def bullets(lines: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(line)}</li>\n" for line in lines) + "</ul>"


def counted(noun: str, count: int, where: str, most: int = MOST_ROWS) -> str:
    many = noun if count == 1 else f"{noun}s"
    if count <= most:
        return f"{count} {many}, newest first"
    return f"the newest {most} of {count} {many}; all are in {where}"


def in_groups(key: str) -> str:
    """Sixty-four digits as people can compare them."""
    return " ".join(key[at : at + 8] for at in range(0, len(key), 8))


def figure(value: float | None, unit: str) -> str:
    return "–" if value is None else f"{value:.3g} {unit}".strip()


def moment(iso: str | None) -> str:
    """ "2026-11-24T07:30:12.345Z" to the second."""
    return "–" if iso is None else f"{iso[:19].replace('T', ' ')} UTC"
