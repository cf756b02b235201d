"""Jobs brought to their tests, failed, re-seated and finished, for what is told of tests afterwards."""

from app.domain.commands import Accept, OpenException, Submit, TakeWayOut
from app.domain.housing import Bank
from app.records.certificate import Certificate, Test, certificate_of
from tests.builders import OFFICER, OTHER_LEAD, Bench, opened

ROOT = "5a" * 32
MADE_AT = "2026-03-03T09:00:00.000Z"
LEAK = "test/hepa/leak/aerosol"


def at_leak_test(tag: str = "EF-03") -> Bench:
    """Return a job whose HEPA bank is due for its leak test."""
    bench = opened(tag)
    bench.run_to("leak/aerosol")
    return bench


def enter(bench: Bench, **typed: str) -> None:
    """Finish the step that is due with these answers; the stop that comes with one outside its limit is lifted."""
    bench.answer({name.replace("_", "-"): text for name, text in typed.items()})
    bench.go_on()


def fail(bench: Bench) -> None:
    """Enter readings of a leak test outside the limit."""
    enter(bench, downstream="0.9")


def reseat(bench: Bench, reason: str = "seal mark uneven on one side") -> None:
    """Put the steps in that are kept ready for a failed test, as a lead."""
    way = bench.state.way_out
    assert way is not None
    bench.do(TakeWayOut(way.id, reason), OTHER_LEAD)


def review(bench: Bench, *, accept: bool = True) -> None:
    """Hand the finished job to review and, if asked, accept it."""
    bench.run_to()
    bench.do(Submit(), OTHER_LEAD)
    if accept:
        for notable in bench.state.unread:
            bench.do(OpenException(notable.seq), OFFICER)
        bench.do(Accept(), OFFICER)


def certificate(bench: Bench, bank: Bank = Bank.HEPA) -> Certificate:
    """Return the certificate of a bank as the job stands."""
    return certificate_of(bench.state, bench.events, bank, root=ROOT, made_at=MADE_AT)


def named(made: Certificate, start: str) -> Test:
    """Return the test whose title starts so."""
    return next(test for test in made.tests if test.title.startswith(start))
