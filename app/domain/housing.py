"""A containment housing as its nameplate and its drawing describe it.

A housing holds filters behind access ports. Each port has a door, a bagging ring and N filters in
series along the slide; position 1 is nearest the door.
"""

import tomllib
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from app.calc.errors import ChangeoutError, Invalid
from app.calc.exact import exact
from app.domain.text import Kept, sentence_from

MOST_FILTERS = 6
MOST_PORTS = 8
MOST_POINTS = 12
"""Points of isolation on one housing (this program's bound, no source)."""

MOST_NOTED = 20
"""Gauges, test ports or hazards of one housing (this program's bound, no source)."""

HazardNote = Annotated[str, Field(min_length=2, max_length=200)]
Tag = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[^\s/\\<>\"'][^/\\<>\"']*$")]


class Service(StrEnum):
    """What the air that reached the filters carried."""

    RADIOACTIVE = "radioactive"
    BIOLOGICAL = "biological"
    POTENT_COMPOUND = "potent_compound"
    CHEMICAL = "chemical"
    GENERAL = "general"


class Seal(StrEnum):
    """How a filter seals against its frame."""

    GASKET = "gasket"
    GEL = "gel"


class Bank(StrEnum):
    """What the filters behind a port are for."""

    PREFILTER = "prefilter"
    HEPA = "hepa"
    CARBON = "carbon"


class PointKind(StrEnum):
    """What a point of isolation holds still."""

    DAMPER = "damper"
    FAN = "fan"
    PURGE = "purge"
    SAMPLE = "sample"
    OTHER = "other"

    @property
    def words(self) -> str:
        """The kind as it stands in a sentence."""
        return {"purge": "purge line", "sample": "sample line", "other": "point"}.get(self, str(self))


class IsolationPoint(Kept):
    """A place where energy or air is held back; it takes one lock.  safe: its safe position, in words."""

    id: Tag
    tag: Tag
    kind: PointKind
    safe: str = Field(min_length=2, max_length=60)


class FurtherKind(StrEnum):
    """What is isolated beyond the nameplate while a job runs, where a damper leaks by although shut and locked."""

    DAMPER = "damper"
    BLANK = "blank"
    LINE = "line"
    ENERGY = "energy"

    @property
    def words(self) -> str:
        """The kind as it stands in a sentence."""
        return {"damper": "second damper", "line": "disconnected line", "energy": "other energy"}.get(self, str(self))


class FurtherPoint(Kept):
    """A point of isolation that a job names beyond the nameplate.  step: at which step it was named."""

    id: Tag
    tag: Tag
    kind: FurtherKind
    safe: str = Field(min_length=2, max_length=60)
    step: str


Point = IsolationPoint | FurtherPoint
DAMPERS = (PointKind.DAMPER, FurtherKind.DAMPER)
"""The kinds of points that are moved for a trial."""


class Gauge(Kept):
    """A gauge at the housing.  reads: what it shows, in words.  scale: its range with the unit."""

    tag: Tag
    reads: str = Field(min_length=1, max_length=80)
    scale: str | None = Field(default=None, min_length=1, max_length=40)


class ProbePort(Kept):
    """A port through which a test is made.  at: where it sits and what goes through it, in words."""

    tag: Tag
    at: str = Field(min_length=1, max_length=80)


class SiteLimit(Kept):
    """A limit of the site's own: absolute values as text, in the instrument's unit."""

    low: str | None = None
    high: str | None = None
    op: Literal["<", "<="] = "<="
    unit: str
    basis: str = "site value"


class BankDesign(Kept):
    """What the site asks of one bank: its own values, as text where they are numbers.

    rated_flow_m3_h: flow at which resistances are compared.  design_flow_m3_h: flow that the system is to move.
    clean_drop_pa: resistance when new.  change_drop_pa: resistance at which the filters are to be changed.
    drift_limit_pct: most that upstream may change during a leak test.
    leak_interval_months: longest time between leak tests.  life_years: longest age of a filter from its making.
    """

    rated_flow_m3_h: str | None = None
    design_flow_m3_h: str | None = None
    clean_drop_pa: str | None = None
    change_drop_pa: str | None = None
    drift_limit_pct: str | None = None
    leak_interval_months: int | None = Field(default=None, ge=1, le=120)
    life_years: int | None = Field(default=None, ge=1, le=30)

    @model_validator(mode="after")
    def _numbers(self) -> "BankDesign":
        for name in ("rated_flow_m3_h", "design_flow_m3_h", "clean_drop_pa", "change_drop_pa", "drift_limit_pct"):
            text: str | None = getattr(self, name)
            try:
                if text is not None and exact(text, name=name) <= 0:
                    raise ValueError(f"{name} is {text}; give a number above 0")
            except ChangeoutError as fault:
                raise ValueError(str(fault)) from None
        return self


class AccessPort(Kept):
    """The opening behind one door, with one bagging ring and one filter clamp.

    `deepest` is the deepest position that this job replaces; nearer filters must come out first.
    ring, bag: size of the bagging ring and of the bags that fit it, in the site's own words.  clamp_type: how the clamp
    is driven; `clamp` is what steps call it.
    """

    id: Tag
    bank: Bank = Bank.HEPA
    filters: int = Field(ge=1, le=MOST_FILTERS)
    filter: str = Field(min_length=1, max_length=80)
    deepest: int | None = Field(default=None, ge=1, le=MOST_FILTERS)
    clamp: str = "filter clamp"
    ring: str | None = Field(default=None, min_length=1, max_length=60)
    bag: str | None = Field(default=None, min_length=1, max_length=60)
    clamp_type: str | None = Field(default=None, min_length=1, max_length=60)

    @model_validator(mode="after")
    def _deepest_is_there(self) -> "AccessPort":
        if self.deepest is not None and self.deepest > self.filters:
            raise ValueError(
                f"port {self.id} is to be replaced down to position {self.deepest}, but holds {self.filters}"
            )
        return self

    @property
    def replaced(self) -> int:
        """How many positions, counted from the door, this job replaces."""
        return self.deepest or self.filters


class Housing(Kept):
    """One housing; every tag is what the field label reads, character for character.

    isolation_points: every point that is locked before the housing is opened; where none are given they follow from
    the dampers and the fan.  neighbours: look-alike tags nearby that are not meant.
    access: how one gets to it.  hazards: what is to be known of the place beforehand.
    """

    tag: Tag
    location: str = Field(min_length=1, max_length=200)
    service: Service
    seal: Seal
    upstream_damper: Tag
    downstream_damper: Tag
    fan: Tag = "exhaust fan"
    ports: tuple[AccessPort, ...] = Field(min_length=1, max_length=MOST_PORTS)
    limits: dict[str, SiteLimit] = Field(default_factory=dict)
    practice: dict[str, str] = Field(default_factory=dict)
    design: dict[Bank, BankDesign] = Field(default_factory=dict)
    notes: str = ""
    isolation_points: tuple[IsolationPoint, ...] | None = Field(default=None, min_length=1, max_length=MOST_POINTS)
    neighbours: tuple[Tag, ...] | None = Field(default=None, max_length=20)
    access: str | None = Field(default=None, min_length=1, max_length=500)
    hazards: tuple[HazardNote, ...] | None = Field(default=None, min_length=1, max_length=MOST_NOTED)
    gauges: tuple[Gauge, ...] | None = Field(default=None, min_length=1, max_length=MOST_NOTED)
    test_ports: tuple[ProbePort, ...] | None = Field(default=None, min_length=1, max_length=MOST_NOTED)

    @model_validator(mode="after")
    def _names_differ(self) -> "Housing":
        ids = [port.id for port in self.ports]
        if len(set(ids)) != len(ids):
            raise ValueError("two ports have the same id; give each port its own")
        if self.upstream_damper == self.downstream_damper:
            raise ValueError("both dampers have the same tag; give each damper its own")
        return self

    @model_validator(mode="after")
    def _points_are_whole(self) -> "Housing":
        points = self.isolation_points
        if points is None:
            return self
        for told, names in (("id", [item.id for item in points]), ("tag", [item.tag for item in points])):
            if len(set(names)) != len(names):
                raise ValueError(f"two isolation points have the same {told}; give each its own")
        dampers = {item.tag for item in points if item.kind is PointKind.DAMPER}
        if left := [tag for tag in (self.upstream_damper, self.downstream_damper) if tag not in dampers]:
            raise ValueError(f"the damper {left[0]} is not among the isolation points; give every point of isolation")
        if not any(item.kind is PointKind.FAN for item in points):
            raise ValueError("no fan is among the isolation points; give every point of isolation")
        return self

    @model_validator(mode="after")
    def _told_apart(self) -> "Housing":
        for told, tags in (
            ("gauges", [item.tag for item in self.gauges or ()]),
            ("test ports", [item.tag for item in self.test_ports or ()]),
        ):
            if len(set(tags)) != len(tags):
                raise ValueError(f"two {told} have the same tag; give each its own")
        return self

    @model_validator(mode="after")
    def _neighbours_are_others(self) -> "Housing":
        own = {self.tag, *(point.tag for point in self.points)}
        if mine := [tag for tag in self.neighbours or () if tag in own]:
            raise ValueError(f"{mine[0]} belongs to this housing and cannot be one of its neighbours")
        return self

    @property
    def points(self) -> tuple[IsolationPoint, ...]:
        """Return the points of isolation: those given, else the two dampers and the fan."""
        if self.isolation_points is not None:
            return self.isolation_points
        return (
            IsolationPoint(id="upstream", tag=self.upstream_damper, kind=PointKind.DAMPER, safe="shut"),
            IsolationPoint(id="downstream", tag=self.downstream_damper, kind=PointKind.DAMPER, safe="shut"),
            IsolationPoint(id="fan", tag=self.fan, kind=PointKind.FAN, safe="stopped, isolator off"),
        )

    @property
    def fan_label(self) -> str:
        """Return what the label at the fan's isolator reads."""
        return next(point.tag for point in self.points if point.kind is PointKind.FAN)

    def port(self, port_id: str) -> AccessPort:
        """Return the port with this id; raise Invalid if the housing has none."""
        for port in self.ports:
            if port.id == port_id:
                return port
        known = ", ".join(port.id for port in self.ports)
        raise Invalid(f"Housing {self.tag} has no port {port_id!r}; its ports are {known}.")

    @property
    def banks(self) -> tuple[Bank, ...]:
        """Return the banks that the ports hold, each once, in the order of the ports."""
        return tuple(dict.fromkeys(port.bank for port in self.ports))


def read_housing(text: str, *, name: str) -> Housing:
    """Read a housing from TOML text; `name` stands in the sentence when it cannot be read."""
    try:
        return Housing.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as fault:
        raise Invalid(f"{name} is not TOML: {fault}. Correct that line and try again.") from None
    except RecursionError:
        raise Invalid(f"{name} is not TOML of a housing: its lists stand too deep in each other.") from None
    except ValidationError as fault:
        raise sentence_from(fault, what=name) from None
