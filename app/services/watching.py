"""What leads and safety officers do about the site itself: settings, alerts, the review of access.

The deciding is done inside the writing, so that it sees the committed state.
"""

from collections.abc import Callable, Mapping
from concurrent.futures import Future

from app.calc.errors import Invalid
from app.domain import access
from app.domain.event_base import Who
from app.domain.registers import SiteMoment
from app.domain.site import SiteEvent, SiteState
from app.domain.site_settings import limit_chosen, setting_chosen
from app.domain.watch_events import SettingChosen
from app.records.moments import local_text, site_day
from app.services.jobs import Jobs


class Watching:
    """The watching over one site.  Each call raises Invalid or Refused, at once or through the future."""

    def __init__(self, jobs: Jobs, *, unprintable: Callable[[str], str | None]) -> None:
        self._jobs = jobs
        self._unprintable = unprintable

    def choose(self, name: str, typed: str, reason: str, *, by: Who) -> "Future[SiteState]":
        """Choose a setting."""
        return self._write(
            by, reason, lambda state, moment: setting_chosen(state, moment, name=name, typed=typed, reason=reason)
        )

    def choose_limit(self, name: str, low: str, high: str, source: str, *, by: Who) -> "Future[SiteState]":
        """Choose the limit of a reading at housings that have none of their own, with its source."""
        return self._write(
            by, source,
            lambda state, moment: limit_chosen(state, moment, name=name, low=low, high=high, source=source),
        )  # fmt: skip

    def started_with(self, values: Mapping[str, str], *, at_first: Mapping[str, str]) -> None:
        """Write an entry for each option of the start that is another than last time.

        values: today's, by the setting's name. at_first: what held as long as no entry says otherwise.
        """
        known = self._jobs.site().watch.settings
        changed = {name: (known.get(name, at_first[name]), now) for name, now in values.items()}
        written = [
            self._jobs.write_site(_started(name, was, now)) for name, (was, now) in changed.items() if was != now
        ]
        for future in written:
            future.result()

    def seen(self, entry: str, *, by: Who) -> "Future[SiteState]":
        """Note that somebody has seen an alert."""
        return self._write(by, "", lambda state, moment: access.alert_seen(state, moment, entry=entry))

    def review_access(
        self, last_sign_ins: Mapping[str, str], *, both: bool, remark: str, by: Who
    ) -> "Future[SiteState]":
        """Sign that access was looked through; the secret was given for this."""
        return self._write(
            by,
            remark,
            lambda state, moment: access.access_reviewed(
                state,
                moment,
                last_sign_ins=last_sign_ins,
                local_time=local_text(moment.at, state.zone),
                both=both,
                remark=remark,
            ),
        )

    def _write(self, by: Who, text: str, decide: Callable[[SiteState, SiteMoment], SiteEvent]) -> "Future[SiteState]":
        if told := self._unprintable(text):
            raise Invalid(told)

        def make(state: SiteState, seq: int, at: str) -> SiteEvent:
            return decide(state, SiteMoment(seq=seq, at=at, today=site_day(at, state.zone), by=by))

        return self._jobs.write_site(make)


def _started(name: str, was: str, now: str) -> Callable[[SiteState, int, str], SiteEvent]:
    why = "the server was started with it"
    return lambda _, seq, at: SettingChosen(seq=seq, at=at, setting=name, was=was, now=now, reason=why)
