"""What people did at the car: hand checks with their outcome, and repairs.

Both come as ``Identity`` events of unit "person", so that they lie in the archive beside the
readings and are judged again with them: key "check", value "NAME OUTCOME"; key "repair", value
what was done.
"""

from __future__ import annotations

from dataclasses import dataclass

from sootsayer.derive.keep import Kept
from sootsayer.judge.checks import check_table
from sootsayer.model import Identity, SootsayerError

PERSON = "person"
CHECK = "check"
REPAIR = "repair"


@dataclass(frozen=True, slots=True)
class Result:
    """One recorded outcome of a hand check."""

    t_ms: int
    check: str
    outcome: str


def check_event(t_ms: int, check: str, outcome: str) -> Identity:
    """The event for a check's outcome. Raises SootsayerError naming what can be chosen."""
    checks = check_table()["checks"]
    if check not in checks:
        raise SootsayerError(f"no hand check {check!r}; choose one of {', '.join(checks)}")
    outcomes = checks[check]["outcomes"]
    if outcome not in outcomes:
        raise SootsayerError(
            f"hand check {check} has no outcome {outcome!r}; choose one of {', '.join(outcomes)}"
        )
    return Identity(t_ms, PERSON, CHECK, f"{check} {outcome}")


def repair_event(t_ms: int, text: str) -> Identity:
    """The event for a repair. Raises SootsayerError when nothing is said."""
    if not text.strip():
        raise SootsayerError('say what was repaired, e.g. sootsayer repaired "passage cleaned"')
    return Identity(t_ms, PERSON, REPAIR, text.strip())


class Handwork(Kept):
    """Results and repairs so far, oldest first."""

    kept = ("results", "repairs")

    def __init__(self) -> None:
        self.results: list[list[object]] = []  # [t_ms, check, outcome]
        self.repairs: list[list[object]] = []  # [t_ms, text]

    def take(self, event: Identity) -> bool:
        """Take in an event of a person; whether it was a repair not known yet. After a restart
        events are fed again, and must count once."""
        if event.key == REPAIR:
            return _entered(self.repairs, [event.t_ms, event.value])
        check, _, outcome = event.value.partition(" ")
        if event.key == CHECK and outcome in _outcomes(check):
            _entered(self.results, [event.t_ms, check, outcome])
        return False

    def last_repair(self) -> tuple[int, str] | None:
        if not self.repairs:
            return None
        t_ms, text = self.repairs[-1]
        return int(str(t_ms)), str(text)

    def valid_results(self) -> dict[str, Result]:
        """The newest outcome of each check since the last repair: older ones told of a car that
        is no more."""
        repair = self.last_repair()
        since_ms = repair[0] if repair else -1
        results = [Result(int(str(t)), str(c), str(o)) for t, c, o in self.results]
        return {result.check: result for result in results if result.t_ms > since_ms}

    def contradictions(self) -> tuple[str, ...]:
        """Checks that were recorded with different outcomes since the last repair."""
        repair = self.last_repair()
        since_ms = repair[0] if repair else -1
        found: dict[str, list[str]] = {}
        for t_ms, check, outcome in self.results:
            if int(str(t_ms)) > since_ms:
                found.setdefault(str(check), []).append(str(outcome))
        said = []
        for check, outcomes in found.items():
            if len(set(outcomes)) > 1:
                words = " and ".join(f"“{outcome_text(check, o)}”" for o in dict.fromkeys(outcomes))
                title = check_table()["checks"][check]["title"]
                said.append(f"{title}: both {words} were recorded; the newest counts.")
        return tuple(said)


def _entered(entries: list[list[object]], entry: list[object]) -> bool:
    if entry in entries:
        return False
    entries.append(entry)
    return True


def _outcomes(check: str) -> dict[str, object]:
    entry = check_table()["checks"].get(check)
    outcomes: dict[str, object] = entry["outcomes"] if entry else {}
    return outcomes


def outcome_text(check: str, outcome: str) -> str:
    """An outcome in words."""
    return str(check_table()["checks"][check]["outcomes"][outcome]["text"])
