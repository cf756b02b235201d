"""What is so at a housing: dampers, fan, isolation, and per port door, ring, filters, clamp, packages.

All values are frozen; a transition makes a new state.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from app.domain.housing import Bank, Housing, Seal, Service
from app.domain.replacing import replace


class Damper(StrEnum):
    """Position of an isolation damper."""

    OPEN = "open"
    SHUT = "shut"


class Isolation(StrEnum):
    """How far the housing is isolated from the duct."""

    NONE = "none"
    LOCKED = "locked"
    VERIFIED = "verified"


class Fan(StrEnum):
    """Whether the fan drives air through the housing."""

    RUNNING = "running"
    STOPPED = "stopped"


class Inside(StrEnum):
    """What is to be expected behind the door."""

    CLEAN = "clean"
    CONTAMINATED = "contaminated"
    DECONTAMINATED = "decontaminated"


class Door(StrEnum):
    """Position of the access door."""

    SHUT = "shut"
    OFF = "off"


class Filling(StrEnum):
    """What stands in a filter position, or lies in a bag."""

    EMPTY = "empty"
    SPENT = "spent"
    NEW = "new"


class Kind(StrEnum):
    """A bag is whole; a stub is the closed cuff that a cut leaves on the ring."""

    BAG = "bag"
    STUB = "stub"


@dataclass(frozen=True, slots=True)
class ClosureRule:
    """How many ties and bands stand on each side of a cut (common practice, no source: one and one)."""

    ties_each_side: int = 1
    bands_each_side: int = 1


@dataclass(frozen=True)  # no slots: see `replacing`
class Closure:
    """A gathered and twisted neck: what has been put on either side of the place to cut."""

    ring_ties: int = 0
    ring_bands: int = 0
    package_ties: int = 0
    package_bands: int = 0

    def ring_done(self, rule: ClosureRule) -> bool:
        """Whether the side that stays on the ring is closed."""
        return self.ring_ties >= rule.ties_each_side and self.ring_bands >= rule.bands_each_side

    def package_done(self, rule: ClosureRule) -> bool:
        """Whether the side that leaves is closed."""
        return self.package_ties >= rule.ties_each_side and self.package_bands >= rule.bands_each_side


@dataclass(frozen=True)  # no slots: see `replacing`
class Sleeve:
    """A bag or a stub on the bagging ring; a stub has lost its bottom to a cut.

    torn_inside: torn bags that were drawn off the ring into this one.
    """

    kind: Kind = Kind.BAG
    strapped: bool = False
    intact: bool = True
    extended: bool = True
    filter: Filling = Filling.EMPTY
    stubs: int = 0
    closure: Closure | None = None
    taped: bool = False
    torn_inside: int = 0


@dataclass(frozen=True)  # no slots: see `replacing`
class Package:
    """A closed bag that a cut has parted from the ring."""

    port: str
    number: int
    filter: Filling
    stubs: int
    taped: bool = False
    torn_inside: int = 0

    @property
    def words(self) -> str:
        """Say what the package is and holds, never that it is clean."""
        stub = "" if not self.stubs else f" with {self.stubs} stub" + ("s" if self.stubs > 1 else "")
        what = "filter-less bag" if self.filter is Filling.EMPTY else f"{self.filter} filter"
        torn = "" if not self.torn_inside else " with a torn bag" if self.torn_inside == 1 else " with torn bags"
        return f"{what}{stub}{torn}"


@dataclass(frozen=True)  # no slots: see `replacing`
class PortState:
    """One access port. `ring` lists the sleeves from inner to outer; `waiting` is a new bag made ready.

    gasket: whether the door's gasket is whole.
    """

    id: str
    bank: Bank
    positions: tuple[Filling, ...]
    door: Door = Door.SHUT
    ring: tuple[Sleeve, ...] = ()
    clamp_set: bool = True
    waiting: Sleeve | None = None
    packages: tuple[Package, ...] = ()
    cuts: int = 0
    gasket: bool = True

    @property
    def outer(self) -> Sleeve | None:
        """Return the outermost sleeve, the one a hand would touch."""
        return self.ring[-1] if self.ring else None

    @property
    def bag(self) -> Sleeve | None:
        """Return the outermost sleeve if it is a bag."""
        return self.ring[-1] if self.ring and self.ring[-1].kind is Kind.BAG else None

    @property
    def stub(self) -> Sleeve | None:
        """Return the stub on the ring, if there is one."""
        return next((sleeve for sleeve in self.ring if sleeve.kind is Kind.STUB), None)

    @property
    def torn(self) -> tuple[Sleeve, ...]:
        """Return the torn bags that lie under the outermost sleeve."""
        return tuple(sleeve for sleeve in self.ring[:-1] if sleeve.kind is Kind.BAG and not sleeve.intact)

    def with_outer(self, sleeve: Sleeve) -> "PortState":
        """Return this port with its outermost sleeve replaced."""
        return replace(self, ring=(*self.ring[:-1], sleeve))


@dataclass(frozen=True)  # no slots: see `replacing`
class HousingState:
    """The whole housing. `accounted` lists the packages that have been labelled and taken to the waste point."""

    seal: Seal
    service: Service
    closure_rule: ClosureRule = field(default_factory=ClosureRule)
    upstream: Damper = Damper.OPEN
    downstream: Damper = Damper.OPEN
    fan: Fan = Fan.RUNNING
    isolation: Isolation = Isolation.NONE
    inside: Inside = Inside.CONTAMINATED
    in_service: bool = True
    ports: tuple[PortState, ...] = ()
    accounted: tuple[Package, ...] = ()

    @property
    def needs_barrier(self) -> bool:
        """Whether the inside must stay parted from the room; decontaminated is still handled as contaminated."""
        return self.inside is not Inside.CLEAN

    def port(self, port_id: str) -> PortState:
        """Return one port by its id (KeyError if there is none: a programmer's error)."""
        for port in self.ports:
            if port.id == port_id:
                return port
        raise KeyError(port_id)

    def with_port(self, changed: PortState) -> "HousingState":
        """Return this housing with one port replaced."""
        return replace(self, ports=tuple(changed if port.id == changed.id else port for port in self.ports))


def barriers(port: PortState, rule: ClosureRule) -> int:
    """Count what parts the inside from the room at one port: shut whole door, strapped intact bag, banded stub."""
    count = 1 if port.door is Door.SHUT and port.gasket else 0
    for sleeve in port.ring:
        count += _is_barrier(sleeve, rule)
    return count


def _is_barrier(sleeve: Sleeve, rule: ClosureRule) -> bool:
    if not (sleeve.intact and sleeve.strapped):
        return False
    if sleeve.kind is Kind.BAG:
        return True
    return sleeve.closure is not None and sleeve.closure.ring_done(rule)


def starting_state(
    housing: Housing, *, fitted: bool, rule: ClosureRule | None = None,
    left: Mapping[str, tuple[int, int]] | None = None,
) -> HousingState:  # fmt: skip
    """Return the state a job begins with.

    `fitted` True: a change-out; spent filters stand in every position and the bag of the last change-out is
    rolled on each ring.  False: a first fit-out; the housing is clean, empty and open to no duct.
    `left`: stubs and torn bags in the bag of a port, where earlier jobs tell; else none are counted.
    """
    inside = left or {}
    ports = tuple(
        PortState(
            id=port.id,
            bank=port.bank,
            positions=(Filling.SPENT if fitted else Filling.EMPTY,) * port.filters,
            ring=(_rolled_bag(*inside.get(port.id, (0, 0))),) if fitted else (),
            clamp_set=fitted,
        )
        for port in housing.ports
    )
    return HousingState(
        seal=housing.seal,
        service=housing.service,
        closure_rule=rule or ClosureRule(),
        fan=Fan.RUNNING if fitted else Fan.STOPPED,
        inside=Inside.CONTAMINATED if fitted else Inside.CLEAN,
        in_service=fitted,
        ports=ports,
    )


def _rolled_bag(stubs: int, torn: int) -> Sleeve:
    return Sleeve(strapped=True, extended=False, stubs=stubs, torn_inside=torn)
