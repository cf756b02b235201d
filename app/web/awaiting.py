"""Await what the writer thread will have made durable."""

import asyncio
from concurrent.futures import Future

from app.services.jobs import Recorded


async def done(future: "Future[Recorded]") -> Recorded:
    """Return after the commit; a refusal that was worth an entry is raised after that entry is durable."""
    recorded = await asyncio.wrap_future(future)
    if recorded.refused is not None:
        raise recorded.refused
    return recorded
