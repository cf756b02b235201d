"""Set a site's stage without a browser: jobs brought to the step or the stage that a test looks at."""

from dataclasses import dataclass, field
from itertools import count

from app.bootstrap import Running
from app.domain.commands import Accept, Command, Open, OpenException, Submit
from app.domain.crew import Acknowledge
from app.domain.event_base import Who
from app.domain.job import JobState, Stage
from app.records.moments import utc_text
from app.services.jobs import Asked, findings_of
from app.services.planning import find_housing, find_procedure, first_entry, plan
from app.services.rehearsal import Cast, commands_for
from tests.browser.driver import EYES, HANDS, LEAD, NIGHT_LEAD, OFFICER
from tests.builders import account_for_packages

TOKENS = count(1)


@dataclass
class Staged:
    """One job of a running site, worked through the same service that the routes use; its crew is briefed at once."""

    running: Running
    tag: str = "EF-03"
    job: str = ""
    state: JobState = field(default_factory=JobState)
    briefed: bool = True

    def __post_init__(self) -> None:
        site = self.running.site
        procedure, digest = find_procedure(site.library, "change-out")
        made = plan(find_housing(site.library, self.tag), procedure, digest)
        draft = first_entry(
            made,
            site=site.jobs.site(),
            by=self.who(NIGHT_LEAD),
            at=utc_text(site.clock()),
            crew=(self.who(HANDS), self.who(EYES)),
            rehearsal=False,
        )
        self.job = draft.ledger
        self.do(Open(draft), NIGHT_LEAD)
        for name in (HANDS, EYES) if self.briefed else ():
            self.do(Acknowledge("work", "I know the cuts and when to stop."), name)

    def who(self, name: str) -> Who:
        """Return a person of the sample site."""
        return next(person.who for person in self.running.people.everyone() if person.name == name)

    def do(self, command: Command, name: str) -> None:
        """Carry out one command as this person."""
        asked = Asked(by=self.who(name), tablet="tablet 9", token=f"stage-{next(TOKENS):06}")
        self.state = self.running.site.jobs.record(self.job, command, asked).result().state

    def do_until(self, words: str) -> "Staged":
        """Do every step before the one whose action holds these words, or all of them."""
        while (due := self.state.due) is not None and words not in due.text:
            for command, by in commands_for(self.state, self.cast()):
                self.do(command, by.name)
        for command, by in commands_for(self.state, self.cast()) if self.state.due is None else ():
            self.do(command, by.name)
        if self.state.due is None:
            account_for_packages(self.running.site.waste, self.job)
        return self

    def go_on(self) -> None:
        """Re-open the stopped job and find everything as recorded."""
        while self.state.stage in (Stage.STOPPED, Stage.LOOKING):
            for command, by in commands_for(self.state, self.cast()):
                self.do(command, by.name)

    def accept(self) -> "Staged":
        """Do all that is left, hand the record over for review, open every exception and accept it."""
        self.do_until("no step has these words")
        self.do(Submit(), LEAD)
        for item in self.state.unread:
            self.do(OpenException(item.seq), OFFICER)
        jobs = self.running.site.jobs
        for finding in findings_of(jobs.site(), self.job, self.state):
            self.do(OpenException(finding.seq, of_site=True), OFFICER)
        self.do(Accept(), OFFICER)
        return self

    def cast(self) -> Cast:
        """Return who of the sample site plays which part."""
        return Cast(hands=self.who(HANDS), eyes=self.who(EYES), officer=self.who(OFFICER), lead=self.who(NIGHT_LEAD))
