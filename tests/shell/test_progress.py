"""The progress bar is drawn for a person and silent for a pipe."""

from __future__ import annotations

import io

from sootsayer.progress import ProgressBar


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_sees_a_growing_bar_and_then_a_clean_line() -> None:
    screen = Terminal()
    bar = ProgressBar("judging", screen)
    bar.show(0, 200)
    bar.show(1, 200)  # still 0 %: not drawn again
    bar.show(100, 200)
    bar.show(300, 200)  # more than there is
    bar.clear()
    drawn = screen.getvalue().split("\r")
    assert [line.rsplit("]")[-1].strip() for line in drawn[1:4]] == ["0 %", "50 %", "100 %"]
    assert drawn[2].count("#") == 15 and drawn[3].count("#") == 30
    assert drawn[-1] == "\x1b[K"
    assert all(len(line) <= 80 for line in drawn)


def test_a_pipe_sees_nothing() -> None:
    pipe = io.StringIO()
    bar = ProgressBar("judging", pipe)
    bar.show(1, 2)
    bar.clear()
    assert pipe.getvalue() == ""


def test_nothing_to_do_counts_as_done() -> None:
    screen = Terminal()
    ProgressBar("judging", screen).show(0, 0)
    assert "100 %" in screen.getvalue()
