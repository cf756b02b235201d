"""The garbage collector: what is read to stay is not walked again and again.

Rules kept here:
- what a site keeps at hand (jobs in hand, the register, what is due) is many thousand objects; walking them held every
  tablet up, the longer the larger the site, so they are taken out of the collector's rounds once they are read;
- what is let go of later is freed all the same: only cycles need the collector, and what is kept here forms none.
"""

import gc

ROUND = 10_000
"""New objects after which the youngest are walked (our figure): one page makes several thousand and lets them go by
itself, so that the library's 700 had all generations walked again every few pages."""


MANY = 100
"""So many housings read or judged at once are a register, which stays, and not one that was changed (our figure)."""


def spare_what_stays() -> None:
    """Take what has just been read out of the garbage collector's rounds, for it is meant to stay."""
    gc.collect(1)
    gc.freeze()


def work_in_longer_rounds() -> None:
    """Have the collector walk the youngest objects more seldom; how often it walks older ones follows from that."""
    gc.set_threshold(ROUND, *gc.get_threshold()[1:])
