"""What the site watches: people and their secrets, roles, settings, the clock; entries of the site's ledger.

Rules kept here:
- no entry holds a secret or a code, nor a hash of one;
- a role changes forward only: an entry made before it names the role of its day.
"""

from typing import Literal

from app.domain.housing import SiteLimit
from app.domain.procedure import Role
from app.domain.site_entry import SiteEntry
from app.domain.text import Kept

Way = Literal["own secret", "one-time code"]


class PersonAdded(SiteEntry):
    """A person was added; the first secret is a one-time code, good until then, that the person replaces.

    identity: how whoever added them checked who they are.  accepted: what they accepted of signing, where the secret
    was theirs from the beginning (a sample site).
    """

    type: Literal["person_added"] = "person_added"
    person: str
    name: str
    role: Role
    good_until: str | None = None
    identity: str | None = None
    accepted: str | None = None


class SecretReset(SiteEntry):
    """An administrator gave a person a new one-time code, good until then.  identity: as in `PersonAdded`."""

    type: Literal["secret_reset"] = "secret_reset"
    person: str
    good_until: str | None = None
    identity: str | None = None


class CodeUsed(SiteEntry):
    """A one-time code opened the one session that it opens, at this tablet."""

    type: Literal["code_used"] = "code_used"
    person: str
    tablet: str


class SecretChosen(SiteEntry):
    """A secret was chosen. way: by what it was shown that this may be; tablet: where; accepted: what of signing."""

    type: Literal["secret_chosen"] = "secret_chosen"
    person: str
    way: Way | None = None
    tablet: str | None = None
    accepted: str | None = None


class PersonLeft(SiteEntry):
    """A person can no longer sign in; the id is never given to anybody else."""

    type: Literal["person_left"] = "person_left"
    person: str


class RoleGiven(SiteEntry):
    """A person works in another role from here on."""

    type: Literal["role_given"] = "role_given"
    person: str
    was: Role
    now: Role
    reason: str


class SecretWrong(SiteEntry):
    """A wrong secret was given for a person; `count` in a row. waits_until: when the next try is taken."""

    type: Literal["secret_wrong"] = "secret_wrong"
    person: str
    tablet: str
    count: int
    waits_until: str | None = None


class WaitLifted(SiteEntry):
    """A lead ended the wait that wrong secrets had brought a person."""

    type: Literal["wait_lifted"] = "wait_lifted"
    person: str
    reason: str


class AlertSeen(SiteEntry):
    """Somebody has seen an alert; `entry` is the place of the entry that raised it."""

    type: Literal["alert_seen"] = "alert_seen"
    entry: int


class Reviewed(Kept):
    """One person as they stood when access was reviewed."""

    person: str
    name: str
    role: Role
    last_sign_in: str | None = None


class AccessReviewed(SiteEntry):
    """A lead looked through who has access, and signed that with a secret."""

    type: Literal["access_reviewed"] = "access_reviewed"
    people: tuple[Reviewed, ...]
    meaning: str
    local_time: str
    proof: str
    remark: str = ""


class SettingChosen(SiteEntry):
    """A setting of the site changed, by a person, or because the server was started with another one."""

    type: Literal["setting_chosen"] = "setting_chosen"
    setting: str
    was: str
    now: str
    reason: str


class LimitChosen(SiteEntry):
    """The limit of a reading at housings that have none of their own; its basis is the source that was given."""

    type: Literal["limit_chosen"] = "limit_chosen"
    limit: str
    was: SiteLimit | None = None
    now: SiteLimit


class ClockStepped(SiteEntry):
    """The server's clock was moved. step_ms: by how much, forward above 0, against the machine's running time."""

    type: Literal["clock_stepped"] = "clock_stepped"
    step_ms: int
    when: Literal["while serving", "while the server was off"]


WatchEvent = (
    PersonAdded | SecretReset | CodeUsed | SecretChosen | PersonLeft | RoleGiven | SecretWrong | WaitLifted | AlertSeen
    | AccessReviewed | SettingChosen | LimitChosen | ClockStepped
)  # fmt: skip
