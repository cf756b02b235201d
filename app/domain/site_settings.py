"""The settings of a site that people choose on its pages; each choice is an entry of the site's ledger.

Whole numbers only, with both ends; where no entry says otherwise the default holds.
"""

from dataclasses import dataclass

from app.calc.errors import Invalid
from app.domain.registers import SiteMoment, reason_from
from app.domain.site import SiteState
from app.domain.watch_events import SettingChosen


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
