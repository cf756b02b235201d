"""Deciding over packages: whether an entry about them may be made, and what of a job's account is still open.

From typed text to one site event, against the committed state of the site and the packages that the jobs have made
(`known`, by name).  An entry that changes nothing is refused, so that a form sent twice writes once.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Literal, cast

from app.calc.bounds import above, plain, within
from app.calc.errors import Invalid
from app.calc.exact import exact
from app.domain.event_base import proof_of
from app.domain.job import JobState
from app.domain.judging import number_text
from app.domain.packages import Told, WastePackage, decontamination_of, packages_of
from app.domain.packing import box_from, container_box, fits, inside_from, room_in
from app.domain.registers import SiteMoment, complain_of_calibration, day_from, reason_from
from app.domain.signing import WASTE_OVER
from app.domain.site import SiteState
from app.domain.waste import (
    FACTS,
    LEFT,
    PACKAGE_KINDS,
    CertificateReceived,
    ClosureChecked,
    ContainerKept,
    PackageAdded,
    PackageExcused,
    PackageMissing,
    PackagesPlaced,
    PackagesTold,
    Waste,
    WasteHandedOver,
    WasteReturned,
    Where,
    Whereabouts,
)

WASTE_POINT = "the waste point"
LONGEST_TEXT = 120
RESERVED = frozenset({"containers", "handovers", "certificates", "returns"})
"""Ids that a container cannot have, because they stand in addresses beside the containers."""
MOST_KG = 5_000.0
"""No package of a change-out weighs more (this program's bound, no source)."""
_ID = re.compile(r"[^\s/\\<>\"'.][^/\\<>\"']{0,39}")
_READINGS = {
    "contact": ("dose_unit", "dose_meter"), "one_metre": ("dose_unit", "dose_meter"),
    "smear": ("smear_unit", "smear_counter"),
}  # fmt: skip
_INSTRUMENTS = {"contact": "dose_meter", "one_metre": "dose_meter", "smear": "smear_counter", "weight": "scale"}
Known = Mapping[str, WastePackage]


# --- what there is ----------------------------------------------------------------------------------


def all_packages(job: JobState, waste: Waste) -> tuple[WastePackage, ...]:
    """Return every package of a job: those that its steps made, then those that the crew entered."""
    opened = job.opened
    if opened is None:
        return ()
    added = (item for item in waste.added.values() if item.job == opened.ledger)
    return (*packages_of(job), *(_added(item, job) for item in sorted(added, key=lambda item: item.seq)))


def _added(event: PackageAdded, job: JobState) -> WastePackage:
    by, opened = event.by, job.opened
    assert opened is not None
    return WastePackage(
        name=event.package, job=event.job, number=opened.number, housing=event.housing,
        contents=f"{PACKAGE_KINDS[event.kind]}: {event.what}", sealed=Told("", by.name if by else "", event.at),
        sealed_by=frozenset({by.id} if by else ()), lead=opened.by.name, port=event.port,
        service=opened.housing.service.replace("_", " "), decontaminated=decontamination_of(job),
    )  # fmt: skip


def where_of(waste: Waste, package: WastePackage) -> Where:
    """Return where a package is: as the site's ledger has it, else as the job's own steps tell.

    For one in a container answers whoever answers for the container now.
    """
    found = waste.where.get(package.name)
    if found is not None:
        kept = waste.containers.get(found.place) if found.kind is Whereabouts.CONTAINER else None
        return replace(found, answers=kept.answers) if kept else found
    if package.taken is not None:
        return Where(Whereabouts.PLACE, WASTE_POINT, package.taken.text, package.taken.at)
    return Where(Whereabouts.JOB, f"housing {package.housing}", package.lead, package.sealed.at)


def closure_of(waste: Waste, package: WastePackage) -> Told | None:
    """Return who found the closure whole: by the site's ledger, else by the job's own step; None if nobody did."""
    checked = waste.closures.get(package.name)
    if checked is None:
        return package.closure
    by = checked.by.name if checked.by else ""
    return Told(checked.seen, by, checked.at) if checked.whole else None


def lacks(waste: Waste, package: WastePackage) -> tuple[str, ...]:
    """Return what keeps a package from being accounted for: closure check, weight, owner."""
    where = where_of(waste, package)
    if where.kind in (Whereabouts.LOST, Whereabouts.NEVER_MADE, Whereabouts.GONE):
        return ()
    return (*not_ready(waste, package), *(("place and owner",) if where.kind is Whereabouts.JOB else ()))


def not_ready(waste: Waste, package: WastePackage) -> tuple[str, ...]:
    """Return what a package lacks before it goes into a container or is handed over."""
    facts = waste.told(package.name)
    return (
        *(() if closure_of(waste, package) else ("closure check",)),
        *(() if "weight" in facts or "no_scale" in facts else ("weight, or why it was not weighed",)),
    )


def open_account(waste: Waste, packages: Iterable[WastePackage]) -> tuple[str, ...]:
    """Return a sentence for every package that nobody has accounted for and no lead has excused."""
    return tuple(
        f"Package {item.name} ({item.contents}) lacks: {', '.join(missing)}. Enter it under Packages."
        for item in packages
        if item.name not in waste.excused and (missing := lacks(waste, item))
    )


# --- one entry each ---------------------------------------------------------------------------------


def package_added(state: SiteState, moment: SiteMoment, job: JobState, typed: Mapping[str, str]) -> PackageAdded:
    """Return the entry for a package that no cut made; Invalid for a job whose record is accepted."""
    opened, kind, port = job.opened, typed.get("kind", ""), typed.get("port", "")
    if opened is None:
        raise Invalid("There is no such job. Go back to the list of housings and choose one.")
    if job.accepted is not None:
        raise Invalid(f"The record of job {opened.number} is accepted. Enter the package with the job it came from.")
    if kind not in PACKAGE_KINDS:
        raise Invalid(f"{kind[:20]!r} is no kind of package. Choose one of those shown.")
    if port and port not in {item.id for item in opened.housing.ports}:
        raise Invalid(f"Housing {opened.housing.tag} has no port {port[:20]!r}. Choose one of those shown, or none.")
    what = _line(typed.get("what", ""), "What is in the package")
    number = 1 + sum(1 for item in state.waste.added.values() if item.job == opened.ledger)
    return PackageAdded(
        seq=moment.seq, at=moment.at, by=moment.by, package=f"{opened.number}/W{number}", job=opened.ledger,
        housing=opened.housing.tag, kind=cast(Literal["ppe", "tape", "other"], kind), what=what, port=port,
    )  # fmt: skip


def packages_told(
    state: SiteState, moment: SiteMoment, known: Known, names: Sequence[str], typed: Mapping[str, str]
) -> PackagesTold:
    """Return the entry for facts of packages, one set of them for all that are named; what is empty stays as it was."""
    chosen = _chosen(state, known, names)
    facts = {name: " ".join(typed.get(name, "").split()) for name in FACTS if typed.get(name, "").strip()}
    if len(chosen) > 1 and "serial" in facts:
        raise Invalid("A filter serial was given for several packages. Give it for one package at a time.")
    for name, text in facts.items():
        if len(text) > LONGEST_TEXT:
            raise Invalid(
                f"{FACTS[name]}: {len(text)} characters were given; {LONGEST_TEXT} is the most this program takes."
                " Shorten it."
            )
    if "weight" in facts and "no_scale" in facts:
        raise Invalid("Both a weight and a reason for not weighing were given. Leave one of them empty.")
    if "weight" in facts:
        facts["weight"] = number_text(facts["weight"], FACTS["weight"])
        above(float(exact(facts["weight"], name="Gross weight")), 0, MOST_KG, name="Gross weight", unit="kg")
    if "no_scale" in facts:
        reason_from(facts["no_scale"], FACTS["no_scale"])
    if "sides" in facts:
        facts["sides"] = " x ".join(_plain_sides(facts["sides"]))
    _complain_of_readings(state, moment, chosen, facts)
    fresh = {
        name: text for name, text in facts.items()
        if any(name not in (before := state.waste.told(item)) or before[name].text != text for item in chosen)
    }  # fmt: skip
    if not fresh:
        raise Invalid("Nothing new was given. Fill in what is to be entered.")
    return PackagesTold(seq=moment.seq, at=moment.at, by=moment.by, packages=chosen, facts=fresh)


def packages_weighed(
    state: SiteState, moment: SiteMoment, known: Known, weights: Mapping[str, str], scale: str
) -> tuple[PackagesTold, ...]:
    """Return an entry for each package of which a weight is given, by the package's name; an empty one is left out."""
    given = {name: text for name, text in weights.items() if text.strip()}
    if not given:
        raise Invalid("No weight was given. Type that of at least one package.")
    made = []
    for place, (name, text) in enumerate(given.items()):
        try:
            one = packages_told(state, moment, known, (name,), {"weight": text, "scale": scale})
        except Invalid as why:
            raise Invalid(f"Package {name}: {why} No weight of this form was entered.") from None
        made.append(one.model_copy(update={"seq": moment.seq + place}))
    return tuple(made)


def _plain_sides(text: str) -> list[str]:
    box_from(text, FACTS["sides"])
    return list(inside_from(text))


def _complain_of_readings(state: SiteState, moment: SiteMoment, chosen: Sequence[str], facts: dict[str, str]) -> None:
    """A reading is a number with its unit and its instrument, which is in calibration if it stands in the register.

    The readings in `facts` get a decimal point.
    """
    for name, beside in _READINGS.items():
        if name not in facts:
            _complain_of_another(state, chosen, facts, name, beside)
            continue
        read, label = number_text(facts[name], FACTS[name]), FACTS[name]
        lowest = -1e9 if name == "smear" else 0  # a smear may come out below its background
        within(float(exact(read, name=label)), lowest, 1e12, name=label)
        facts[name] = read
        for other in beside:
            if other not in facts and not all(other in state.waste.told(item) for item in chosen):
                raise Invalid(f"{FACTS[name]}: give its unit and its instrument, too; {FACTS[other]} is missing.")
    for reading, tool in _INSTRUMENTS.items():
        given = [facts[tool]] if tool in facts else _stored(state, chosen, tool) if reading in facts else []
        for name in given:
            _complain_of_instrument(state, moment, name)


def _stored(state: SiteState, chosen: Sequence[str], fact: str) -> list[str]:
    return [told[fact].text for item in chosen if fact in (told := state.waste.told(item))]


def _complain_of_instrument(state: SiteState, moment: SiteMoment, name: str) -> None:
    """One that the register does not know may be any; one that it knows is in use and in calibration."""
    if name in state.put_aside:
        raise Invalid(f"{name} was put aside: {state.put_aside[name].reason}. Read again with an instrument in use.")
    found = state.instruments.get(name)
    if found is not None:
        complain_of_calibration(found, moment.today, otherwise="read again with another instrument")


def _complain_of_another(
    state: SiteState, chosen: Sequence[str], facts: Mapping[str, str], reading: str, beside: Sequence[str]
) -> None:
    """A unit or an instrument given alone would change what a reading that stands means."""
    for item in chosen:
        told = state.waste.told(item)
        for other in beside if reading in told else ():
            if other in facts and other in told and told[other].text != facts[other]:
                raise Invalid(
                    f"{FACTS[other]}, {facts[other]}: {FACTS[reading]} of package {item} was read in another unit or "
                    "with another instrument; enter it again."
                )


def closure_checked(
    state: SiteState, moment: SiteMoment, known: Known, name: str, *, seen: str, whole: bool
) -> ClosureChecked:
    """Return the entry for a look at a closure, by somebody who did not seal it."""
    package = _one(state, known, name)
    if moment.by is not None and moment.by.id in package.sealed_by:
        raise Invalid(f"{moment.by.name} sealed package {name}. Somebody else checks its closure.")
    told = reason_from(seen, "What was seen of the closure")
    before = state.waste.closures.get(name)
    if before is not None and (before.whole, before.seen) == (whole, told):
        raise Invalid(f"Package {name}: this was entered already. Nothing was entered again.")
    return ClosureChecked(seq=moment.seq, at=moment.at, by=moment.by, package=name, whole=whole, seen=told)


def packages_placed(
    state: SiteState, moment: SiteMoment, known: Known, names: Sequence[str], typed: Mapping[str, str]
) -> PackagesPlaced:
    """Return the entry that puts packages into a container, or at a place that somebody answers for."""
    chosen, container = _chosen(state, known, names), typed.get("container", "").strip()
    if not container:
        place = _line(typed.get("place", ""), "The place")
        answers = _line(typed.get("answers", ""), "Who answers for it")
        if all(_is_at(where_of(state.waste, known[name]), place, answers) for name in chosen):
            raise Invalid(f"It is at {place} already, and {answers} answers for it. Nothing was entered again.")
        return PackagesPlaced(seq=moment.seq, at=moment.at, by=moment.by, packages=chosen, place=place, answers=answers)
    kept = _open_container(state, container)
    fresh = tuple(name for name in chosen if name not in state.waste.within(container))
    if not fresh:
        raise Invalid(f"It is in container {container} already. Nothing was entered again.")
    for name in fresh:
        _complain_of_putting_in(state.waste, known[name], kept)
    room = room_in(kept, (*state.waste.within(container), *fresh), state.waste.facts)
    if room.weight_left < 0:
        raise Invalid(
            f"With {', '.join(fresh)} the container {container} would weigh {float(room.known):g} kg, more than the "
            f"{kept.most_kg} kg that the site allows. Choose another container."
        )
    return PackagesPlaced(seq=moment.seq, at=moment.at, by=moment.by, packages=fresh, container=container)


def _is_at(where: Where, place: str, answers: str) -> bool:
    return where.kind is Whereabouts.PLACE and (where.place, where.answers) == (place, answers)


def _complain_of_putting_in(waste: Waste, package: WastePackage, container: ContainerKept) -> None:
    if missing := not_ready(waste, package):
        raise Invalid(f"Package {package.name} lacks: {', '.join(missing)}. Enter that before it is put in.")
    sides = waste.told(package.name).get("sides")
    if sides is not None and not fits(box_from(sides.text, "Package"), container):
        raise Invalid(
            f"Package {package.name}, {sides.text} mm outside, does not go into {container.container}, "
            f"{' x '.join(container.inside)} mm inside. Choose another container."
        )


def package_missing(
    state: SiteState, moment: SiteMoment, known: Known, name: str, typed: Mapping[str, str]
) -> PackageMissing:
    """Return the entry that a package is lost, or was never made because its step was marked by mistake."""
    package, how = _one(state, known, name), typed.get("how", "")
    if how not in ("lost", "never made"):
        raise Invalid("Say whether the package is lost or was never made. Choose one of the two.")
    if how == "never made" and not state.jobs.is_in_hand(package.job):
        raise Invalid(
            f"The record of job {package.number} is accepted with package {name} in it. Enter the package as lost, or "
            "have the job opened again."
        )
    reason = reason_from(typed.get("reason", ""), "The reason")
    answers = _line(typed.get("answers", ""), "Who answers for it")
    found = state.waste.where.get(name)
    if found is not None and (found.kind, found.why) == (Whereabouts(how), reason):
        raise Invalid(f"Package {name}: this was entered already. Nothing was entered again.")
    return PackageMissing(
        seq=moment.seq, at=moment.at, by=moment.by, package=name,
        how=cast(Literal["lost", "never made"], how), reason=reason, answers=answers,
    )  # fmt: skip


def package_excused(state: SiteState, moment: SiteMoment, known: Known, name: str, reason: str) -> PackageExcused:
    """Return the entry by which a lead lets a job go to review with something of a package open."""
    package = _one(state, known, name)
    if not lacks(state.waste, package):
        raise Invalid(f"Nothing of package {name} is open. It needs no exception.")
    if name in state.waste.excused:
        raise Invalid(f"Package {name} has an exception already. Nothing was entered again.")
    told = reason_from(reason, "Why the package stays open")
    return PackageExcused(seq=moment.seq, at=moment.at, by=moment.by, package=name, reason=told)


def container_kept(state: SiteState, moment: SiteMoment, typed: Mapping[str, str]) -> ContainerKept:
    """Return the entry for a container or what changed of it; its size stays while anything is in it."""
    name, shape = " ".join(typed.get("container", "").split()), typed.get("shape", "")
    if not _ID.fullmatch(name):
        raise Invalid(f"Container {name!r}: give an id of 1 to 40 characters without quotes, slashes, < or >.")
    if name in RESERVED:
        raise Invalid(f"Container {name!r}: that word is an address of this program. Give the id on the container.")
    if name in state.waste.sent:
        raise Invalid(f"Container {name} left with {state.waste.sent[name]}. Give the next one an id of its own.")
    inside = inside_from(typed.get("inside", ""))
    container_box(shape, inside)
    empty, most = (number_text(typed.get(key, ""), label) for key, label in WEIGHTS.items())
    tare = within(float(exact(empty, name="Empty weight")), 0, 1e5, name="Empty weight", unit="kg")
    above(float(exact(most, name="Greatest gross weight")), tare, 1e5, name="Greatest gross weight", unit="kg")
    kept = ContainerKept(
        seq=moment.seq, at=moment.at, by=moment.by, container=name, shape=cast(Literal["box", "drum"], shape),
        inside=inside, empty_kg=empty, most_kg=most,
        basis=_line(typed.get("basis", ""), "Where the greatest weight comes from"),
        place=_line(typed.get("place", ""), "The place"), answers=_line(typed.get("answers", ""), "Who answers for it"),
    )  # fmt: skip
    before = state.waste.containers.get(name)
    if before is not None and _same(before, kept):
        raise Invalid(f"Container {name} is entered just so. Nothing was entered again.")
    inner = ("shape", "inside", "empty_kg", "most_kg")
    if before is not None and state.waste.within(name) and any(getattr(before, k) != getattr(kept, k) for k in inner):
        raise Invalid(f"Container {name} holds packages: its size and weights stay. Empty it first.")
    return kept


WEIGHTS = {"empty_kg": "Empty weight", "most_kg": "Greatest gross weight"}


def _same(one: ContainerKept, other: ContainerKept) -> bool:
    left = {"seq", "at", "by"}
    return one.model_dump(exclude=left) == other.model_dump(exclude=left)


def handed_over(
    state: SiteState, moment: SiteMoment, known: Known, names: Sequence[str], containers: Sequence[str],
    typed: Mapping[str, str], *, local_time: str, both: bool,
) -> WasteHandedOver:  # fmt: skip
    """Return the signed entry that hands containers and packages over to somebody named."""
    held = tuple(dict.fromkeys(containers))
    for container in held:
        _complain_of_handing_over(state, _open_container(state, container))
    inside = [name for container in held for name in state.waste.within(container)]
    chosen = _chosen(state, known, (*names, *inside)) if names or inside else ()
    if not chosen:
        raise Invalid("Nothing was chosen to hand over. Choose containers or packages.")
    for name in chosen:
        where = where_of(state.waste, known[name])
        if where.kind is Whereabouts.CONTAINER and where.place not in held:
            raise Invalid(f"Package {name} lies in container {where.place}. Hand that over, or take the package out.")
        if where.kind in (Whereabouts.LOST, Whereabouts.NEVER_MADE):
            raise Invalid(f"Package {name} is {where.kind}. Enter where it was found before it is handed over.")
        if missing := not_ready(state.waste, known[name]):
            raise Invalid(f"Package {name} lacks: {', '.join(missing)}. Enter that before it is handed over.")
    remark = " ".join(typed.get("remark", "").split())
    if len(remark) > LONGEST_TEXT:
        raise Invalid(
            f"The remark has {len(remark)} characters; {LONGEST_TEXT} is the most this program takes. Shorten it."
        )
    return WasteHandedOver(
        seq=moment.seq, at=moment.at, by=moment.by, handover=f"H-{len(state.waste.handovers) + 1:04d}",
        containers=held, packages=chosen, receiver=_line(typed.get("receiver", ""), "The receiver's name"),
        organisation=_line(typed.get("organisation", ""), "The receiver's organisation"), remark=remark,
        meaning=WASTE_OVER, local_time=local_time,
        proof=proof_of(both),
    )  # fmt: skip


def _complain_of_handing_over(state: SiteState, kept: ContainerKept) -> None:
    """A container leaves with something in it and no heavier than it may be: weights are entered in it, too."""
    within_it = state.waste.within(kept.container)
    if not within_it:
        raise Invalid(f"Container {kept.container} is empty. Put its packages in first, or leave it out.")
    held = room_in(kept, within_it, state.waste.facts)
    if held.weight_left < 0:
        raise Invalid(
            f"Container {kept.container} weighs {plain(held.known)} kg, more than the {kept.most_kg} kg that the site "
            "allows. Take packages out first."
        )


def waste_returned(
    state: SiteState, moment: SiteMoment, handover: str, names: Sequence[str], typed: Mapping[str, str]
) -> WasteReturned:
    """Return the entry that packages came back from a hand-over whose certificate has not come."""
    found = state.waste.handovers.get(handover)
    if found is None or found.certificate is not None:
        raise Invalid(f"No hand-over {handover[:20]!r} waits for a certificate. Choose one of those shown.")
    back = tuple(dict.fromkeys(names))
    if not back or (stray := [name for name in back if name not in found.out]):
        told = f"Package {stray[0]} is not out with {handover}" if back else "No package was chosen"
        raise Invalid(f"{told}. Choose the packages that came back.")
    return WasteReturned(
        seq=moment.seq, at=moment.at, by=moment.by, handover=handover, packages=back,
        reason=reason_from(typed.get("reason", ""), "Why it came back"),
        place=_line(typed.get("place", ""), "The place"), answers=_line(typed.get("answers", ""), "Who answers for it"),
    )  # fmt: skip


def certificate_received(
    state: SiteState, moment: SiteMoment, handover: str, certificate: str, dated: str
) -> CertificateReceived:
    """Return the entry that the certificate for a hand-over has come; with it the packages are gone."""
    found = state.waste.handovers.get(handover)
    if found is None or not found.out:
        raise Invalid(f"There is no hand-over {handover[:20]!r} with packages out. Choose one of those shown.")
    if found.certificate is not None:
        raise Invalid(f"The certificate of {handover} has come: {found.certificate.certificate}. Nothing was entered.")
    day = day_from(dated, "The day on the certificate", moment.today)
    if day > moment.today:
        raise Invalid(f"The certificate is dated {day}, after today, {moment.today}. Check the day on it.")
    number = _line(certificate, "The certificate's number")
    return CertificateReceived(
        seq=moment.seq, at=moment.at, by=moment.by, handover=handover, certificate=number, dated=day
    )


# --- helps ------------------------------------------------------------------------------------------


def _chosen(state: SiteState, known: Known, names: Sequence[str]) -> tuple[str, ...]:
    """Return the packages named, once each, if all of them are still here."""
    chosen = tuple(dict.fromkeys(names))
    if not chosen:
        raise Invalid("No package was chosen. Choose the packages that this is about.")
    for name in chosen:
        _one(state, known, name)
    return chosen


def _one(state: SiteState, known: Known, name: str) -> WastePackage:
    package = known.get(name)
    if package is None:
        raise Invalid(f"There is no package {name[:40]!r}. Choose one of those listed.")
    where = where_of(state.waste, package)
    if where.kind in LEFT and where.kind is not Whereabouts.NEVER_MADE:
        raise Invalid(f"Package {name} is no longer here: {where.kind}, {where.place}. Nothing was entered.")
    return package


def _open_container(state: SiteState, name: str) -> ContainerKept:
    kept = state.waste.containers.get(name)
    if kept is None:
        raise Invalid(f"There is no container {name[:40]!r}. Choose one of those shown, or enter it under Waste.")
    if name in state.waste.sent:
        raise Invalid(f"Container {name} left with {state.waste.sent[name]}. Choose one that is still here.")
    return kept


def _line(text: str, label: str) -> str:
    told = " ".join(text.split())
    if not 2 <= len(told) <= LONGEST_TEXT:
        raise Invalid(f"{label}: {len(told)} characters were given. Say it in 2 to {LONGEST_TEXT}.")
    return told
