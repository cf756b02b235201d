"""The server's clock, watched: a jump of more than STEP_S is an entry of the site's ledger and an alert.

The wall clock is held against the machine's running time, which nobody can set.  A clock that is slewed, as time
services do it, slews both and is no step.  What happened while the server was off shows only if the clock went back
behind the last entry.
"""

from collections.abc import Callable
from concurrent.futures import Future
from datetime import datetime
from threading import Lock
from typing import Literal

from app.domain.site import SiteEvent, SiteState
from app.domain.watch_events import ClockStepped
from app.services.jobs import Jobs
from app.services.ports import Clock

STEP_S = 5.0
"""A clock moved by more than this makes an entry (this program's figure)."""
When = Literal["while serving", "while the server was off"]


class ClockWatch:
    """The clock of one running site. running: seconds that the machine has been running."""

    def __init__(self, jobs: Jobs, wall: Clock, running: Callable[[], float]) -> None:
        self._jobs = jobs
        self._wall = wall
        self._running = running
        self._apart_s = self._apart()
        self._guard = Lock()

    def begin(self) -> None:
        """Look whether the clock stands before the last entry; waits for the entry that this makes."""
        last = self._jobs.site().last_at
        if not last:
            return
        step_s = (self._wall() - datetime.fromisoformat(last)).total_seconds()
        if step_s < -STEP_S:
            self._tell(step_s, "while the server was off").result()

    def look(self) -> None:
        """Compare the two clocks; waits for nothing."""
        with self._guard:
            apart_s = self._apart()
            step_s = apart_s - self._apart_s
            if abs(step_s) <= STEP_S:
                return
            self._apart_s = apart_s
        self._tell(step_s, "while serving").add_done_callback(lambda told: self._again(told, step_s))

    def _again(self, told: "Future[SiteState]", step_s: float) -> None:
        """Let the next look find the step anew if its entry was refused, by a disk that is full or does not answer."""
        if told.exception() is not None:
            with self._guard:
                self._apart_s -= step_s

    def _apart(self) -> float:
        return self._wall().timestamp() - self._running()

    def _tell(self, step_s: float, when: When) -> "Future[SiteState]":
        def event(_: SiteState, seq: int, at: str) -> SiteEvent:
            return ClockStepped(seq=seq, at=at, step_ms=round(step_s * 1000), when=when)

        return self._jobs.write_site(event, urgent=True)
