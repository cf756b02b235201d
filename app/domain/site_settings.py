"""The settings of a site that people choose on its pages; each choice is an entry of the site's ledger.

Whole numbers only, with both ends; where no entry says otherwise the default holds.  The limits of readings on which
the opening of a housing rests have no default: until somebody chooses one and says where it comes from, no job is
opened on a housing that has none of its own.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from app.calc.errors import Invalid
from app.calc.exact import exact
from app.domain.events import JobOpened
from app.domain.housing import Housing, SiteLimit
from app.domain.judging import number_text
from app.domain.procedure import Procedure
from app.domain.refused import Refused
from app.domain.registers import SiteMoment, reason_from
from app.domain.site import SiteState
from app.domain.watch_events import LimitChosen, SettingChosen


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting. basis: where default and ends come from."""

    name: str
    label: str
    unit: str
    default: int
    low: int
    high: int
    basis: str


IDLE_LOCK = Setting(
    "idle_lock_min", "A screen is covered when nobody has touched it for", "min", 5, 1, 15,
    "2 to 5 min is advised where much depends on it (OWASP session management cheat sheet); the upper end is ours",
)  # fmt: skip
MARKS_APART = Setting(
    "marks_apart_s", "Marks closer together than this are shown to the reviewer", "s", 3, 0, 60,
    "this program's own figure, no source; 0 shows none",
)  # fmt: skip
VERIFY_AFTER = Setting(
    "verify_after_min", "A verification waits after the work that it verifies for", "min", 0, 0, 240,
    "a verifier comes apart in time from the work (DOE-STD-1036-93); how long is the site's choice, and 0 waits for "
    "nothing",
)  # fmt: skip
SETTINGS = {setting.name: setting for setting in (IDLE_LOCK, MARKS_APART, VERIFY_AFTER)}


@dataclass(frozen=True, slots=True)
class LimitSetting:
    """A limit that a site may choose for housings that have none of their own.  reading: what is read, in words."""

    name: str
    reading: str
    unit: str


LIMITS = {
    setting.name: setting
    for setting in (
        LimitSetting("no_flow", "air speed in the duct once it is isolated", "m/s"),
        LimitSetting("housing_pressure", "pressure of the housing against the room", "Pa"),
    )
}
"""By the name under [limits] of a housing or a procedure."""


def value_of(state: SiteState, setting: Setting) -> int:
    """Return what holds, in the setting's unit."""
    return int(state.watch.settings.get(setting.name, setting.default))


def setting_chosen(state: SiteState, moment: SiteMoment, *, name: str, typed: str, reason: str) -> SettingChosen:
    """Return the entry for a choice; raise Invalid for an unknown setting, a value beyond its ends, or no change."""
    setting = SETTINGS.get(name)
    if setting is None:
        raise Invalid(f"There is no setting {name!r}. Choose one of those shown.")
    text = typed.strip()
    if not (text.isascii() and text.isdigit() and len(text) < 6 and setting.low <= int(text) <= setting.high):
        raise Invalid(f"{text!r} is not a whole number from {setting.low} to {setting.high} {setting.unit}. Mend it.")
    was = value_of(state, setting)
    if int(text) == was:
        raise Invalid(f"It is {was} {setting.unit} already. Nothing was changed.")
    return SettingChosen(
        seq=moment.seq, at=moment.at, by=moment.by, setting=name, was=str(was), now=str(int(text)),
        reason=reason_from(reason, "Why it is changed"),
    )  # fmt: skip


def limit_chosen(state: SiteState, moment: SiteMoment, *, name: str, low: str, high: str, source: str) -> LimitChosen:
    """Return the entry for a limit; raise Invalid where an end is missing or no number, or nothing changes."""
    setting = LIMITS.get(name)
    if setting is None:
        raise Invalid(f"There is no limit {name!r} to be chosen. Choose one of those shown.")
    ends = []
    for typed, label in ((low, "Lowest value"), (high, "Highest value")):
        if not typed.strip():
            raise Invalid(f"{label}: nothing was given. A limit has both its ends; give this one in {setting.unit}.")
        ends.append(number_text(typed.strip(), label))
    if exact(ends[0], name="Lowest value") > exact(ends[1], name="Highest value"):
        raise Invalid(f"The lowest value, {ends[0]}, is above the highest, {ends[1]}. Give the lower one first.")
    basis = reason_from(source, "Where it comes from")
    now, was = SiteLimit(low=ends[0], high=ends[1], unit=setting.unit, basis=basis), state.watch.limits.get(name)
    if now == was:
        raise Invalid("That limit, with that source, holds already. Nothing was changed.")
    return LimitChosen(seq=moment.seq, at=moment.at, by=moment.by, limit=name, was=was, now=now)


def without_own(housing: Housing, procedure: Procedure | None = None) -> tuple[LimitSetting, ...]:
    """Return the limits that a housing has not; procedure: only of what it reads and gives no limit for itself."""
    asked = set(LIMITS) if procedure is None else _read_by(procedure) - set(procedure.limits)
    return tuple(setting for name, setting in LIMITS.items() if name in asked - set(housing.limits))


def _read_by(procedure: Procedure) -> set[str]:
    asked = {ask.limit for _, step in procedure.written() for ask in step.asks if ask.limit}
    return asked | ({procedure.repeated.limit} if procedure.repeated and procedure.repeated.limit else set())


def with_limits(housing: Housing, procedure: Procedure, state: SiteState) -> Housing:
    """Return the housing as a job on it has it: the site's limits where neither it nor the procedure has one."""
    chosen = {name: state.watch.limits[name] for name in (item.name for item in without_own(housing, procedure))
              if name in state.watch.limits}  # fmt: skip
    if not chosen:
        return housing
    told = {
        name: limit.model_copy(update={"basis": f"the site's for housings without their own: {limit.basis}"})
        for name, limit in chosen.items()
    }
    return housing.model_copy(update={"limits": {**housing.limits, **told}})


def complain_of_limits(draft: JobOpened) -> None:
    """Refuse a job in which a reading on which the opening rests would pass unlimited; a rehearsal opens nothing."""
    beside = (step for way in draft.ways_out or () for step in way.steps)
    named = {asked.ask.limit for step in (*draft.steps, *beside) for asked in step.asks if asked.limit is None}
    if not draft.rehearsal and (missing := [setting for name, setting in LIMITS.items() if name in named]):
        raise Refused("no_limit", no_limit_words(draft.housing.tag, missing))


def no_limit_words(tag: str, missing: Iterable[LimitSetting]) -> str:
    """Say what keeps a job from being opened, and who ends that."""
    told = " nor for the ".join(setting.reading for setting in missing)
    return (
        f"{tag} has no limit of its own for the {told}, and the site has chosen none for such housings. Until a lead "
        "or the safety officer chooses it under Site settings, with its source, no job is opened there."
    )
