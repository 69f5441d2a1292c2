"""The five links: state by kinds of evidence, with the exposure behind each word."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.quantities import Reader
from sootsayer.judge.doubts import OWN_WORD, rests_on, spoilt_channels
from sootsayer.judge.exposure import not_watched
from sootsayer.judge.tally import Tally
from sootsayer.model import Link, LinkFinding, LinkState
from sootsayer.rules.book import Rule
from sootsayer.rules.engine import Rules
from sootsayer.rules.watches import ChanceWatch, SightingWatch, TimeWatch, Watch, length_s
from sootsayer.units import say_count, say_duration, say_error

KINDS_FOR_BROKEN = 2
LEAST_OPENINGS = 5
NEVER_SHUT_S = 600.0  # of cruise with gas asked for, and still hardly a minute without
LEAST_STOPS = 3
LEAST_CRUISE_S = 300.0
INPUT = "input"  # kind of evidence: an input that permits recirculation is implausible
GIVEN_SHARE = 0.25  # of warm cruise: asked for in so much of it, it is not withheld


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the links are judged from."""

    rules: Rules
    tally: Tally
    reader: Reader
    balance: FlowBalance
    channels: frozenset[str] = frozenset()  # that this car has given so far

    def chances(self, rule: str) -> ChanceWatch:
        watch = self.rules.watches[rule]
        assert isinstance(watch, ChanceWatch)
        return watch

    def time(self, rule: str) -> TimeWatch:
        watch = self.rules.watches[rule]
        assert isinstance(watch, TimeWatch)
        return watch

    def open_watches(self) -> list[Watch]:
        """Those that accuse, without those whose readings are themselves accused."""
        spoilt = spoilt_channels(self.rules, self.balance)
        return [
            watch
            for watch in self.rules.all_watches()
            if watch.open and rests_on(watch.rule, spoilt) is None
        ]


def judge_links(evidence: Evidence) -> tuple[LinkFinding, ...]:
    """All five, in order. A later link whose trouble an earlier one explains is not accused."""
    findings: list[LinkFinding] = []
    broken: dict[Link, list[Rule]] = {}  # with the rules that speak against it
    accused: list[Link] = []
    for link, look in _LOOKS.items():
        kinds = evidence_kinds(evidence, link)
        finding = _whole(evidence, look(evidence, _state(kinds), kinds))
        own = [watch.rule for watch in evidence.open_watches() if watch.link() is link]
        by = next((b for b, rules in broken.items() if explains(rules, own)), None)
        # The control unit's own test does not say which link it is that fails it.
        if accused and own and all(rule.kind in OWN_WORD for rule in own):
            by = by or accused[0]
        if finding.state in (LinkState.BROKEN, LinkState.DOUBTFUL):
            if by is not None:
                finding = _explained(finding, by)
            elif finding.state is LinkState.BROKEN:
                broken[link] = own
            accused.append(link)
        findings.append(finding)
    return tuple(findings)


def explains(earlier: Collection[Rule], later: Collection[Rule]) -> bool:
    """Whether what broke before is of the kind that makes all of this trip as well: missing gas
    does not explain gas that is there unasked, nor the reverse."""
    said = {what for rule in earlier for what in rule.gas}
    return bool(later) and all(rule.gas & said for rule in later)


# Rules of which the facts of their links tell already.
IN_FACT = frozenset({"P2", "A1", "M1", "M2", "M8", "F1", "F1S", "F2", "E2"})


def _whole(evidence: Evidence, finding: LinkFinding) -> LinkFinding:
    """The finding with further alerts of its link, and with what it was not watched for yet."""
    said = [finding.fact]
    for watch in evidence.open_watches():
        if watch.link() is finding.link and watch.rule.name not in IN_FACT:
            title = watch.rule.title
            said.append(title[0].lower() + title[1:] if title[1:2].islower() else title)
    waiting = not_watched(evidence.rules, finding.link, evidence.channels)
    if waiting and finding.state in (LinkState.HOLDING, LinkState.UNSEEN):
        said.append(f"not watched for yet: {', '.join(waiting)}")
    return replace(finding, fact="; ".join(said))


def evidence_kinds(evidence: Evidence, link: Link) -> tuple[str, ...]:
    """Independent kinds of evidence against a link, none where no rule of its own has tripped."""
    watches = evidence.open_watches()
    own = {watch.rule.kind for watch in watches if watch.link() is link}
    if not own:
        return ()
    supporting = {watch.rule.kind for watch in watches if _supports(watch, link)}
    return tuple(sorted(own | supporting))


def _supports(watch: Watch, link: Link) -> bool:
    # A code speaks for the link it names, and of other links only by its maker's word for them.
    if isinstance(watch, SightingWatch):
        return watch.link() is link
    return link in watch.rule.supports


def _state(kinds: tuple[str, ...]) -> LinkState | None:
    if not kinds:
        return None
    return LinkState.BROKEN if len(kinds) >= KINDS_FOR_BROKEN else LinkState.DOUBTFUL


def _explained(finding: LinkFinding, by: Link) -> LinkFinding:
    return LinkFinding(
        finding.link, LinkState.DOUBTFUL, finding.chances, finding.failed, finding.eligible_s,
        f"{finding.fact}; what is seen before it ({by.value}) would explain this", finding.kinds,
    )  # fmt: skip


# ---------------------------------------------------------------- link by link


def _permit(evidence: Evidence, state: LinkState | None, kinds: tuple[str, ...]) -> LinkFinding:
    tally, watch = evidence.tally, evidence.time("P2")
    cruise_s = tally.cruise_s
    if not evidence.reader.has.get("command"):
        fact = "this car does not tell what it commands"
        return _finding(Link.PERMIT, state or LinkState.UNSEEN, 0, 0, 0.0, fact, kinds)
    share = tally.cruise_asked_s / cruise_s if cruise_s else 0.0
    # An input that cannot be believed withholds nothing as long as recirculation is asked for.
    if kinds == (INPUT,) and share > GIVEN_SHARE:
        state = LinkState.HOLDING
    if state is None:
        seen = cruise_s >= LEAST_CRUISE_S and tally.cruise_asked_s > 30
        state = LinkState.HOLDING if seen else LinkState.UNSEEN
    if cruise_s < LEAST_CRUISE_S and not kinds:
        fact = f"only {say_duration(cruise_s)} of warm cruising so far"
    elif tally.cruise_asked_s <= 30 and not kinds:
        fact = f"not once given in {say_duration(cruise_s)} of warm cruising, watching on"
    else:
        fact = f"given in {100 * share:.0f} % of {say_duration(cruise_s)} of warm cruising"
    return _finding(
        Link.PERMIT, state, *watch.trips(), cruise_s, fact, kinds,
    )  # fmt: skip


def _ask(evidence: Evidence, state: LinkState | None, kinds: tuple[str, ...]) -> LinkFinding:
    tally, watch = evidence.tally, evidence.time("A1")
    if not evidence.reader.has.get("command"):
        fact = "this car does not tell what it commands"
        return _finding(Link.ASK, state or LinkState.UNSEEN, 0, 0, 0.0, fact, kinds)
    if state is None:
        state = LinkState.HOLDING if tally.openings >= LEAST_OPENINGS else LinkState.UNSEEN
    if kinds and watch.open:
        share = 100 * watch.failing_s / max(watch.eligible_s, 1)
        fact = f"asked in {share:.0f} % of the time in which it should stay shut"
    elif tally.openings:
        fact = f"{say_count(tally.openings, 'opening')}, up to {tally.most_asked_pct:.0f} %"
    else:
        fact = "no opening was asked for yet"
    return _finding(Link.ASK, state, *watch.trips(), watch.total_s, fact, kinds)


def _move(evidence: Evidence, state: LinkState | None, kinds: tuple[str, ...]) -> LinkFinding:
    follow, shut = evidence.chances("M1"), evidence.chances("M2")
    if not evidence.reader.has.get("actual"):
        fact = "this car gives no position; a lift or vacuum sensor would show it"
        return _finding(Link.MOVE, state or LinkState.UNSEEN, 0, 0, 0.0, fact, kinds)
    if evidence.reader.echoes():
        fact = "the control unit repeats its command as position, which shows nothing"
        return _finding(Link.MOVE, state or LinkState.UNSEEN, 0, 0, 0.0, fact, kinds)
    if state is None:
        enough = follow.total >= LEAST_OPENINGS
        state = LinkState.HOLDING if enough else LinkState.UNSEEN
    if follow.open:
        fact = f"{_of(follow)} openings not followed"
    elif shut.open:
        fact = f"follows, but {_of(shut)} times did not shut"
    elif follow.total >= LEAST_OPENINGS:
        fact = f"followed {follow.total - follow.failed} of {follow.total} openings"
        if shut.total:
            fact += f", shut {shut.total - shut.failed} of {shut.total} times"
    else:
        fact = f"only {say_count(follow.total, 'opening')} with a known position so far"
    watch = shut if shut.open and not follow.open else follow
    return _finding(Link.MOVE, state, watch.total, watch.failed, _seen_s(watch), fact, kinds)


def _flow(evidence: Evidence, state: LinkState | None, kinds: tuple[str, ...]) -> LinkFinding:
    watch, step = evidence.chances("F1"), evidence.chances("F1S")
    why_not = flow_not_seen(evidence)
    if why_not and not kinds:
        return _finding(Link.FLOW, LinkState.UNSEEN, 0, 0, 0.0, why_not, kinds)
    if state is None:
        state = LinkState.HOLDING if watch.total >= LEAST_OPENINGS else LinkState.UNSEEN
    gas, leak = evidence.tally.gas_pct(), evidence.rules.watches["F2"]
    part = evidence.tally.flow_part()
    if leak.open and not watch.open:
        alert = leak.current()
        share = alert.measure if alert else 0.0
        fact = f"gas equal to {share:.0f} % of idle air passes the shut valve"
    elif watch.total and gas is not None and part is not None:
        fact = (
            f"{max(gas[0], 0):.1f} ± {say_error(gas[1])} % gas taken in, "
            f"{100 * max(part, 0):.0f} % of what is due"
        )
    elif evidence.tally.openings >= LEAST_OPENINGS and evidence.chances("M1").open:
        fact = "waits for the valve: no opening has moved it enough to let gas through"
    else:
        fact = f"only {say_count(watch.total, 'opening')} clear enough to judge so far"
    chosen = step if step.open and not watch.total else watch
    return _finding(Link.FLOW, state, chosen.total, chosen.failed, _seen_s(chosen), fact, kinds)


def flow_not_seen(evidence: Evidence) -> str:
    """Why flow cannot be judged on this car at all, "" when it can."""
    has, balance = evidence.reader.has, evidence.balance
    if balance.mode:
        if not balance.ready() and evidence.tally.cruise_asked_s >= NEVER_SHUT_S:
            return (
                "the valve was never shut for long enough with the engine running, so there is "
                "nothing to compare with"
            )
        return ""
    if not has.get("rpm"):
        return "no engine speed was read yet"
    if not has.get("map"):
        if has.get("maf"):
            return (
                "this car gives air mass but no manifold pressure, and the throttle is choked "
                "where it matters; a manifold pressure sensor would make flow visible"
            )
        return "this car gives no manifold pressure; such a sensor would make flow visible"
    return "manifold pressure needs air mass or throttle place beside it to show flow"


def _effect(evidence: Evidence, state: LinkState | None, kinds: tuple[str, ...]) -> LinkFinding:
    watch, idle = evidence.chances("E2"), evidence.tally.idle
    if state is None:
        state = LinkState.HOLDING if watch.total >= LEAST_STOPS else LinkState.UNSEEN
    if watch.open:
        fact = f"idle unsteady at {_of(watch)} warm stops"
    elif idle and watch.total >= LEAST_STOPS:
        usual = sorted(idle)[len(idle) // 2]
        steady = watch.total - watch.failed
        fact = f"idle wanders by {usual:.0f} rpm, steady at {steady} of {watch.total} warm stops"
    else:
        fact = f"only {say_count(watch.total, 'warm stop')} long enough so far"
    return _finding(Link.EFFECT, state, watch.total, watch.failed, _seen_s(watch), fact, kinds)


_LOOKS = {
    Link.PERMIT: _permit,
    Link.ASK: _ask,
    Link.MOVE: _move,
    Link.FLOW: _flow,
    Link.EFFECT: _effect,
}


def _of(watch: ChanceWatch) -> str:
    alert = watch.current()
    return f"{alert.seen} of {alert.chances}" if alert else f"{watch.failed} of {watch.total}"


def _seen_s(watch: ChanceWatch) -> float:
    return length_s(watch.chances)


def _finding(
    link: Link, state: LinkState, chances: int, failed: int, eligible_s: float, fact: str,
    kinds: tuple[str, ...],
) -> LinkFinding:  # fmt: skip
    return LinkFinding(link, state, chances, failed, round(eligible_s, 1), fact, kinds)
