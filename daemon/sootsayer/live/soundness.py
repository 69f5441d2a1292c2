"""Looks through the archive now and then for bits that flipped, in a thread of its own.

What readers are asked for is checked when they are asked; this meets the rest, so that damage
is known while a backup may still have what it took.
"""

from __future__ import annotations

import logging
import threading
from pathlib import Path

from sootsayer.model import SootsayerError
from sootsayer.niceness import step_back
from sootsayer.store.soundness import unsound

log = logging.getLogger(__name__)

FIRST_AFTER_S = 300.0  # when the start is over and the car is being read
EVERY_S = 86_400.0  # of running; a car's recorder runs for hours, so mostly once a start
REST_S = 0.05  # between two handfuls, so that a small processor stays free for the car
MOST_TOLD = 3
MOST_KEPT = 100


class Soundness:
    """Runs from `start` to `stop`. `told` is a sentence for people, "" while nothing is found."""

    def __init__(self, archive: Path, first_after_s: float = FIRST_AFTER_S) -> None:
        self._archive = archive
        self._first_after_s = first_after_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="soundness", daemon=True)
        self._found: tuple[str, ...] = ()
        self.looks = 0  # that were walked to their end

    @property
    def told(self) -> str:
        found = self._found
        if not found:
            return ""
        more = f" and {len(found) - MOST_TOLD} more" if len(found) > MOST_TOLD else ""
        return (
            f"the archive is damaged and what is damaged is not shown: "
            f"{'; '.join(found[:MOST_TOLD])}{more}; copy it and run 'sootsayer repair'"
        )

    def start(self) -> None:
        self._thread.start()

    def stop(self, wait_s: float) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(wait_s)

    def _run(self) -> None:
        step_back()
        wait_s = self._first_after_s
        while not self._stop.wait(wait_s):
            self._look()
            wait_s = EVERY_S

    def _look(self) -> None:
        found: list[str] = []
        try:
            for text in unsound(self._archive, lambda: not self._stop.wait(REST_S)):
                found.append(text)
                if text not in self._found:
                    log.error("archive %s: %s", self._archive, text)
                if len(found) >= MOST_KEPT:
                    break
        except SootsayerError as trouble:
            found.append(str(trouble))
            log.error("%s", trouble)
        if not self._stop.is_set():
            self._found = tuple(found)
            self.looks += 1
