"""What a form asks, carried out or refused with a sentence that goes back onto the same page with what was typed."""

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import Future
from dataclasses import dataclass, field

from starlette.concurrency import run_in_threadpool

from app.calc.errors import Invalid, OutOfRange
from app.domain.refused import Refused
from app.domain.site import SiteState
from app.web.errors import status_of
from app.web.forms import Posted


@dataclass(frozen=True, slots=True)
class Refilled:
    """What stands on a form: what was typed before a refusal, and the sentence of the refusal; else nothing."""

    told: str = ""
    fields: dict[str, str] = field(default_factory=dict)
    answers: dict[str, str] = field(default_factory=dict)
    refused_with: int = 422

    def __getitem__(self, name: str) -> str:
        """Return what was typed into a field, or nothing."""
        return self.fields.get(name, "")

    @property
    def status(self) -> int:
        """The status of a page that carries this form."""
        return self.refused_with if self.told else 200


NOTHING = Refilled()
"""A form as it is first shown."""


async def entered(make: "Callable[[], Future[SiteState]]", form: Posted) -> Refilled:
    """Carry out one entry into a register and return after its commit; a refusal comes back with what was typed."""

    async def doing() -> None:
        await asyncio.wrap_future(await run_in_threadpool(make))

    return await tried(doing, form)


async def tried(doing: "Callable[[], Awaitable[object]]", form: Posted) -> Refilled:
    """Carry out what a form asks and return after its commit; a refusal comes back with what was typed, secrets not."""
    try:
        form.complain()
        await doing()
    except (Invalid, OutOfRange, Refused) as refusal:
        fields = {name: text for name, text in form.fields.items() if "secret" not in name}
        return Refilled(str(refusal), fields, dict(form.answers), status_of(refusal))
    return NOTHING
