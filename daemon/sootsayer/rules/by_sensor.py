"""What added sensors say of each stretch open or shut (rules M6, M7, F5, F6)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sootsayer.derive.frames import FRAME_S
from sootsayer.derive.orifice import orifice_part
from sootsayer.derive.passage import Stretch
from sootsayer.model import FloatArray
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance, Seen

END_FRAMES = 10
SETTLE_FRAMES = 6
RELEASED = slice(4, 6)  # two to three seconds after release
LEAST_VACUUM_KPA = 5.0  # less shows neither weakness nor release
HELD_S = 30.0
HELD_POINTS = 3.0  # a command that moves more than this does not hold
WARM_CONTACT_S = 60.0
COLD_C = 40.0
IDLE_FRAMES = 20

Look = Callable[[Rule, Stretch, Seen], tuple[bool, float, str] | None]


def each_stretch(look: Look) -> Callable[[Rule, Seen], list[Chance]]:
    """Chances of one look at every stretch that was completed."""

    def chances(rule: Rule, seen: Seen) -> list[Chance]:
        made = []
        for stretch in seen.motion.stretches:
            found = look(rule, stretch, seen)
            if found is not None:
                failed, measure, fact = found
                made.append(
                    Chance(stretch.start_ms, stretch.end_ms, failed, round(measure, 2), fact,
                           seen.context)
                )  # fmt: skip
        return made

    return chances


def _mean(column: FloatArray) -> float | None:
    known = column[~np.isnan(column)]
    return float(known.mean()) if len(known) else None


# ---------------------------------------------------------------- vacuum


def vacuum_weak(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """Vacuum at the valve against its source's; a valve fed in part by design is judged by what
    it showed when sound."""
    vacuum = _mean(stretch.frames["vacuum"][SETTLE_FRAMES:])
    source = _source_kpa(stretch)
    if not stretch.is_open or vacuum is None or source is None or source < LEAST_VACUUM_KPA:
        return None
    share = 100 * vacuum / source
    usual = seen.baselines.usual(rule.name)
    limit = rule.limit("fail_below") * min(100.0, usual or 100.0) / 100
    failed = share < limit
    if rule.name not in seen.accused and (not failed or _follows(stretch)):
        failed = failed and not _follows(stretch)
        seen.baselines.learn(rule.name, share)
    return failed, share, f"{vacuum:.0f} kPa at the valve of {source:.0f} kPa at the source"


def _follows(stretch: Stretch) -> bool:
    """A valve seen to move as asked has vacuum enough."""
    off = _mean(np.abs(stretch.frames["moved"] - stretch.frames["asked"])[SETTLE_FRAMES:])
    return off is not None and off < 10.0


def _source_kpa(stretch: Stretch) -> float | None:
    given = _mean(stretch.frames["source"][SETTLE_FRAMES:])
    if given is not None:
        return given
    return _mean((stretch.frames["baro"] - stretch.frames["map"])[SETTLE_FRAMES:])


def vacuum_decays(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """Loss a minute while the command holds still and the source does not fall with it."""
    columns = {n: c[SETTLE_FRAMES:] for n, c in stretch.frames.items()}
    vacuum, asked = columns["vacuum"], columns["asked"]
    if not stretch.is_open or len(vacuum) * FRAME_S < HELD_S or np.isnan(vacuum).any():
        return None
    if np.ptp(asked) > HELD_POINTS or vacuum[0] < LEAST_VACUUM_KPA:
        return None
    loss = -_slope_a_minute(vacuum)
    source = columns["source"]
    if np.isnan(source).all():
        source = columns["baro"] - columns["map"]
    if np.isnan(source).any() or -_slope_a_minute(source) > loss / 2:
        return None
    return loss > rule.limit("fail_above"), loss, f"vacuum fell by {loss:.1f} kPa a minute"


def _slope_a_minute(column: FloatArray) -> float:
    return float(np.polyfit(np.arange(len(column)) * FRAME_S / 60, column, 1)[0])


def vacuum_lingers(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """Vacuum left two seconds after release."""
    before, left = _mean(stretch.before["vacuum"]), _mean(stretch.frames["vacuum"][RELEASED])
    if stretch.is_open or before is None or left is None or before < LEAST_VACUUM_KPA:
        return None
    share = 100 * left / before
    return share > rule.limit("fail_above"), share, f"{share:.0f} % left two seconds after release"


# ---------------------------------------------------------------- contact


def contact_cold(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """The feedback contact while the valve is asked shut on a cold engine."""
    cold = stretch.frames["ect"] < COLD_C
    share = _mean(stretch.frames["contact"][cold])
    if stretch.is_open or share is None or np.count_nonzero(cold) * FRAME_S < HELD_S:
        return None
    return 100 * share > rule.limit("fail_above"), 100 * share, "contact against cold and shut"


def contact_warm(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """The feedback contact after a minute open at a high command."""
    share = _mean(stretch.frames["contact"][-END_FRAMES:])
    asked = _mean(stretch.frames["asked"])
    if not stretch.is_open or share is None or asked is None or stretch.seconds < WARM_CONTACT_S:
        return None
    if asked < rule.limit("command_least"):
        return None
    missing = 100 * (1 - share)
    return missing > rule.limit("fail_above"), missing, "contact against a minute open"


# ---------------------------------------------------------------- passage temperature


def passage_rise(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """On minus off of passage temperature, where gas as commanded must have warmed a slow sensor
    and metal for a good part, and nothing had warmed them before."""
    before, after = stretch.heated
    if not stretch.is_open or after - before < rule.limit("warming_least"):
        return None
    warm, cool = (
        _mean(stretch.frames["temperature"][-END_FRAMES:]), _mean(stretch.before["temperature"]),
    )  # fmt: skip
    coolant = _mean(stretch.frames["ect"])
    if warm is None or cool is None:
        return None
    if coolant is not None and cool - coolant > rule.limit("already_hot"):
        return None
    rise = warm - cool
    return rise < rule.limit("fail_below"), rise, f"passage warmed by {rise:.0f} K"


def passage_stays_hot(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """Passage above coolant after minutes asked shut (off takes 60 to 180 s)."""
    if stretch.is_open or stretch.seconds < rule.limit("stretch_s"):
        return None
    above = _mean((stretch.frames["temperature"] - stretch.frames["ect"])[-END_FRAMES:])
    if above is None:
        return None
    return above > rule.limit("fail_above"), above, f"passage {above:.0f} K above coolant"


# ---------------------------------------------------------------- pressure feedback


def feedback_dead(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """Change of the pressure feedback from shut to open."""
    opened, shut = (
        _mean(stretch.frames["feedback"][SETTLE_FRAMES:]), _mean(stretch.before["feedback"]),
    )  # fmt: skip
    if not stretch.is_open or opened is None or shut is None:
        return None
    change = abs(opened - shut)
    return change < rule.limit("fail_below"), change, f"pressure feedback moved by {change:.2f}"


def feedback_less(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """Flow by the pressure feedback against what this car showed when sound at such a command:
    through an orifice four times the pressure is twice the flow."""
    opened = _mean(stretch.frames["feedback"][SETTLE_FRAMES:])
    shut, asked = _mean(stretch.before["feedback"]), _mean(stretch.frames["asked"][SETTLE_FRAMES:])
    if not stretch.is_open or opened is None or shut is None or asked is None:
        return None
    if asked < rule.limit("command_least"):
        return None
    by_command = float(np.sqrt(abs(opened - shut))) / asked
    usual = seen.baselines.usual(rule.name)
    if usual is None:
        seen.baselines.learn(rule.name, by_command)
        return None
    share = 100 * orifice_part(abs(opened - shut), (usual * asked) ** 2)
    failed = share < rule.limit("fail_below")
    if not failed and rule.name not in seen.accused:
        seen.baselines.learn(rule.name, by_command)
    return failed, share, f"by pressure feedback {share:.0f} % of the usual flow at such a command"


def feedback_off_zero(rule: Rule, stretch: Stretch, seen: Seen) -> tuple[bool, float, str] | None:
    """Hot idle, shut, against key on with the engine standing: both are no flow."""
    idle = stretch.frames["idle"] == 1
    if stretch.is_open or np.count_nonzero(idle) < IDLE_FRAMES or np.isnan(stretch.standing):
        return None
    value = _mean(stretch.frames["feedback"][idle])
    if value is None:
        return None
    off = abs(value - stretch.standing)
    return (
        off > rule.limit("fail_above"),
        off,
        f"pressure feedback {off:.2f} off its standing value",
    )
