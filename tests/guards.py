"""Delete every guard once and see a law fail.  `python -m tests.guards [words…]` runs all, or those that match.

A guard whose deletion no law notices is a rule without a test; the run then ends with status 1.
Each deletion is made in a copy of the tree, never in the tree itself.  Which test noticed a guard before is asked
first (`noticed_by.json`, where `--remember` puts those tried), and the whole law where that test is silent.
"""

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from compileall import compile_dir
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from math import inf
from pathlib import Path
from queue import SimpleQueue
from random import Random
from time import monotonic

ROOT = Path(__file__).resolve().parents[1]
NOTICED_BY = Path(__file__).with_name("noticed_by.json")
KNOWN: dict[str, str] = json.loads(NOTICED_BY.read_text("utf-8")) if NOTICED_BY.exists() else {}
CONTAINMENT = "tests/laws/test_containment.py"
JOB = "tests/laws/test_job.py"
KEPT = "tests/laws/test_kept.py"
RECOVERED = "tests/laws/test_recovered.py"
LOCKS = "tests/laws/test_locks.py"
FURTHER = "tests/laws/test_further.py"
STANDING = "tests/domain/test_standing.py"
VERIFYING = "tests/domain/test_verifying.py"
CHECKED_TOGETHER = 2
PLAIN = ("-p", "no:cacheprovider", "-p", "_hypothesis_pytestplugin", "--assert=plain")
"""What else a test run loads costs three times as much as most laws take to fail."""


@dataclass(frozen=True)
class Deletion:
    """One guard to delete: in which file, what stands there, what stands there without the guard, who must notice."""

    name: str
    file: str
    old: str
    new: str
    law: str
    place: int = 0


def containment_guards() -> list[Deletion]:
    """Every `unless(…)` and every early refusal of the containment model, found in its source."""
    found = []
    for name in ("housing_acts", "port_acts"):
        file = f"app/domain/containment/{name}.py"
        text = (ROOT / file).read_text("utf-8")
        for hit in re.finditer(r"\bunless\(\n?\s*", text):
            line = text[: hit.start()].count("\n") + 1
            found.append(
                Deletion(f"{name} line {line}", file, hit.group(), f"{hit.group()}True or ", CONTAINMENT, hit.start())
            )
    rules = "app/domain/containment/rules.py"
    found.append(
        Deletion("R1, the last barrier", rules, "if not after.needs_barrier:", "if after is not None:", CONTAINMENT)
    )
    found.append(
        Deletion("R10, packages", rules, "for item in port.packages\n", "for item in port.packages[:0]\n", CONTAINMENT)
    )
    found.append(Deletion("R10, bag made ready", rules, "if port.waiting is not None:", "if False:", CONTAINMENT))
    acts = "app/domain/containment/port_acts.py"
    for told in ("there is no gathered neck", "there is no raw stub", "there is no raw package", "there is no stub on"):
        refusal = next(row for row in (ROOT / acts).read_text("utf-8").splitlines() if told in row)
        found.append(Deletion(f"refusal: {told}", acts, refusal.strip(), "return port, ()", CONTAINMENT))
    return found


WORK = "app/domain/deciding/work.py"
LATE = "app/domain/deciding/late.py"
REMEMBERED = "app/domain/deciding/remembered.py"
CORRECTING = "app/domain/deciding/correcting.py"
STOPPING = "app/domain/deciding/stopping.py"
REVIEWING = "app/domain/deciding/reviewing.py"
LEAVING = "app/domain/deciding/leaving.py"
PERMIT_AWAY = "tests/domain/test_permit_away.py"
PAPER = "app/domain/deciding/paper.py"
BESIDE = "app/domain/deciding/paper_beside.py"
BESIDES = "tests/domain/test_paper_beside.py"
ISOLATION = "app/domain/deciding/isolation.py"
LOCKING = "app/domain/deciding/locks.py"
WATCHING = "app/domain/deciding/watching.py"
COMMON = "app/domain/deciding/common.py"
DECIDE = "app/domain/decide.py"
CREW = "app/domain/deciding/crew.py"
CREWED = "tests/domain/test_crew.py"
LESSONS = "app/domain/deciding/lessons.py"
CONTINGENCY = "app/domain/deciding/contingency.py"
CHANGE = "app/domain/deciding/field_change.py"
ASIDE = "app/domain/deciding/applicability.py"
RADIO = "app/domain/deciding/radio.py"
SCHEDULING = "app/domain/scheduling.py"
OFF = "app/domain/off_register.py"
OFF_TESTS = "tests/domain/test_off_register.py"
JUDGED = "tests/domain/test_judging.py"
LIMITED = "app/domain/site_settings.py"
LIMITED_D = "tests/domain/test_site_limits.py"
LIMITED_W = "tests/web/test_site_limits.py"
ISSUING = "app/domain/issuing.py"
ISSUING_D = "tests/domain/test_issuing.py"
READYING = "app/domain/readying.py"
ITEMS = "app/domain/readiness_items.py"
FIT = "app/domain/readiness_fit.py"
SUMS = "app/domain/readiness_sums.py"
PLANNED = "tests/domain/test_planned.py"
READINESS = "tests/domain/test_readiness.py"
READY_LAW = "tests/laws/test_readiness.py"
STORING = "app/domain/storing.py"
FITTING = "app/domain/fitting.py"
FILTERS = "app/domain/deciding/filters.py"
STORE_ROOM = "tests/laws/test_store.py"
STORE_D = "tests/domain/test_store.py"
FITTING_D = "tests/domain/test_fitting.py"
DEPARTURES = "tests/domain/test_departures.py"
LEFT = "tests/domain/test_leaving.py"
WASTING = "app/domain/wasting.py"
WASTE = "tests/domain/test_waste.py"
DEPARTURES_C = "tests/domain/test_contingency.py"
SUGGESTING = "app/domain/suggesting.py"
SUGGESTED = "tests/domain/test_suggestions.py"
FILLING = "app/domain/filling.py"
SURVEYING = "app/domain/surveying.py"
ENTRY = "app/domain/housing_entry.py"
FILLED = "tests/domain/test_filling.py"
WRITING = "app/domain/writing_rules.py"
TEXTS = "tests/domain/test_procedures.py"
SURVEYED = "tests/domain/test_surveying.py"
VEIL = "app/records/veil.py"
STANDING_C = "app/domain/deciding/standing.py"
JOB_GUARDS = [
    Deletion("veil: not lifted for who tried", VEIL, "and bool(tried) and not own", "and bool(tried)", VERIFYING),
    Deletion("veil: a lock that came off", VEIL, '        case PointUnlocked() if event.lock in hidden.locks:\n            return event.model_copy(update={"lock": UNSEEN})\n', "", VERIFYING),
    Deletion("verifier: entered what is verified", WORK, "stamp.recorders if stamp.seq < printed else stamp.doers", "stamp.recorders if not moment.kept else stamp.doers", VERIFYING),
    Deletion("verifier: seen before the page", WORK, "printed = state.size if moment.paper is None else moment.paper", "printed = -1 if moment.paper is not None else state.size", VERIFYING),
    Deletion("verifier: states each point", "app/domain/steps.py", 'return step.model_copy(update={"asks": (*found, *step.asks)})', "return step", VERIFYING),
    Deletion("verifier: a point found otherwise", "app/domain/steps.py", "good=(locked,))", "good=())", VERIFYING),
    Deletion("verifier: what is veiled is looked at", "app/domain/steps.py", "in named | set(step.veils or ()))", "in named)", VERIFYING),
    Deletion("taken over before the brief", STANDING_C, "if isinstance(command, TakeOver) and by.id in state.leaving.gone:", "if False:", LEFT),
    Deletion("stop at a suspension: older records", "app/domain/job.py", "return further and state.stage", "return state.stage", LEFT),
    Deletion("ready: other words are signed", READYING, "item in OF_THE_SETTING and ", "", READINESS),
    Deletion("due: half a look", "app/services/due.py", "                self._forget()", "                pass", "tests/web/test_due.py"),
    Deletion("due: the only one put back", "app/services/due.py", "or not self._all:", "or not self._judged:", "tests/web/test_due.py"),
    Deletion("radio: old permit", RADIO, "    complain_of_permit(state, step, moment)\n", "", "tests/domain/test_permit.py"),
    Deletion("suggestion answered twice", SUGGESTING, "if found.answered is not None:", "if False:", SUGGESTED),
    Deletion("suggestion answered by its maker", SUGGESTING, "if found.made.by is not None and found.made.by.id == moment.by.id:", "if False:", SUGGESTED),
    Deletion("suggestion answered by anybody", SUGGESTING, 'if moment.by is None or moment.by.role not in KEEPERS:\n        raise Refused("role", "A lead or a safety officer answers', 'if moment.by is None:\n        raise Refused("role", "A lead or a safety officer answers', SUGGESTED),
    Deletion("suggestion carried out unaccepted", SUGGESTING, 'if found.answered is None or found.answered.answer != "accepted":', "if False:", SUGGESTED),
    Deletion("order of steps", COMMON, "if due.id != step_id:", "if False:", JOB),
    Deletion("only while open", COMMON, "if due is None or state.stage is not Stage.OPEN:", "if due is None:", JOB),
    Deletion("holds are released", WORK, "if step.kind is StepKind.HOLD:\n        raise", "if False:\n        raise", JOB),
    Deletion("hold role", WORK, 'if moment.by.role is not step.role:\n        raise Refused(\n            "hold_role"', 'if False:\n        raise Refused(\n            "hold_role"', JOB),
    Deletion("hold by performer", WORK, 'if moment.by.id in state.performers:\n        raise Refused(\n            "hold_own_work"', 'if False:\n        raise Refused(\n            "hold_own_work"', JOB),
    Deletion("own work verified", WORK, "    if moment.by.id in hands:\n", "    if False:\n", JOB),
    Deletion("verified by who led on", WORK, "since < state.led.get(moment.by.id, -1) <= printed or ", "", VERIFYING),
    Deletion("verified by who took the record", WORK, " or since < moment.taken.get(moment.by.id, 0) <= printed", "", VERIFYING),
    Deletion("verified by who entered paper", "app/domain/job.py", "return self.doers | {who.id for who in from_paper if who is not None}", "return self.doers", VERIFYING),
    Deletion("verified on paper before", WORK, "stamp.recorders if stamp.seq < printed else stamp.doers", "stamp.recorders", VERIFYING),
    Deletion("verified by who corrected", "app/domain/job.py", "told = [item.stamp for item in self.differences] + [item.stamp for item in self.corrections]", "told = [item.stamp for item in self.differences]", VERIFYING),
    Deletion("shown before it is verified", "app/services/issuing.py", "*(found for tried in over for found in laid_findings(procedure, tried))", "", "tests/domain/test_procedures.py"),
    Deletion("done follows begun", WORK, "if step.marks == 2 and state.mark(step.id).begun is None:", "if False:", JOB),
    Deletion("outside stays due", WORK, "if evidence.within:\n        done = event_of(", "if True:\n        done = event_of(", JOB),
    Deletion("administrator works", DECIDE, "if moment.by.role not in WORKERS and not isinstance(command, ANYBODYS):", "if False:", JOB),
    Deletion("lead re-opens", STOPPING, 'if moment.by.role is not Role.LEAD:\n        raise Refused("role", f"A {moment.by.role.words} cannot re-open', 'if False:\n        raise Refused("role", f"A {moment.by.role.words} cannot re-open', JOB),
    Deletion("stopper re-opens", STOPPING, "if state.stop is not None and state.stop.is_by(moment.by):", "if False:", JOB),
    Deletion("corrected to outside its limit", CORRECTING, "if evidence.within or state.stop is not None:", "if True:", "tests/domain/test_way_out.py"),
    Deletion("what decides is entered twice", "app/domain/steps.py", 'ask.id in DECIDING.get(computes or "", ())', "False", JUDGED),
    Deletion("no second entry alone", "app/domain/judging.py", 'if answers.get(asked.ask.id + AGAIN, "").strip():', "if False:", JUDGED),
    Deletion("corrected by two entries", CORRECTING, 'command.again if name == command.ask else answers.get(name, "")', 'answers.get(name, "")', "tests/domain/test_way_out.py"),
    Deletion("stopped once for a correction", CORRECTING, "if evidence.within or state.stop is not None:", "if evidence.within:", "tests/domain/test_way_out.py"),
    Deletion("final stays done", CORRECTING, "if step.final else ((step.id, *again), flagged)", "if False else ((step.id, *again), flagged)", JOB),
    Deletion("dependents: finals", COMMON, "tuple(other.id for other in standing if not other.final),\n        tuple(other.id for other in standing if other.final),", "tuple(other.id for other in standing),\n        (),", JOB),
    Deletion("submit unfinished", REVIEWING, "if state.stage not in (Stage.WORK_DONE, Stage.RETURNED) or state.due is not None:", "if state.submitted is not None:", JOB),
    Deletion("accept by officer", REVIEWING, "if moment.by.role is not Role.SAFETY_OFFICER:", "if False:", JOB),
    Deletion("accept unread", REVIEWING, "if unread := (*state.unread, *of_site):", "if unread := ():", JOB),
    Deletion("accept own work", REVIEWING, 'if moment.by.id in state.performers:\n        raise Refused("own_work"', 'if False:\n        raise Refused("own_work"', JOB),
    Deletion("lead puts steps in", WORK, 'if moment.by.role is not Role.LEAD:\n        raise Refused("role", f"A {moment.by.role.words} cannot put', 'if False:\n        raise Refused("role", f"A {moment.by.role.words} cannot put', JOB),
    Deletion("steps put in while open", WORK, "if state.stage is not Stage.OPEN or due is None or way is None or", "if due is None or way is None or", JOB),
    Deletion("steps put in after a failure", "app/domain/job.py", "return way if self.mark(due.id).attempts[-1][0].seq > taken else None", "return way", JOB),
    Deletion("permit run out", COMMON, "if until is not None and until < moment.on:", "if False:", JOB),
    Deletion("kept before a re-opening", LATE, "if known.seen <= state.unsettled_at:", "if False:", KEPT),
    Deletion("size beyond the record", REMEMBERED, "if seen > state.size:", "if False:", RECOVERED),
    Deletion("confirmed and never had", REMEMBERED, "if told.acknowledged:", "if False:", RECOVERED),
    Deletion("number of a lost job", REMEMBERED, "if any(restore.size is None for restore in since):", "if False:", RECOVERED),
    Deletion("known up to the backup", REMEMBERED, "return Remembered(min(seen, held),", "return Remembered(seen,", RECOVERED),
    Deletion("unknown restore", REMEMBERED, 'if told.line not in {"", *lines}:', "if False:", RECOVERED),
    Deletion("lead settles accounts", LATE, 'if moment.by.role is not Role.LEAD:\n        raise Refused("role", f"A {moment.by.role.words} cannot settle', 'if False:\n        raise Refused("role", f"A {moment.by.role.words} cannot settle', KEPT),
    Deletion("own account", LATE, "if any(item.by.id == moment.by.id for item in chosen):", "if False:", KEPT),
    Deletion("two accounts stop the work", "app/domain/job.py", "if self.contests:", "if False:", KEPT),
    Deletion("a token once", "app/services/jobs.py", "if asked.token and (seen := work.seen_request(asked.token)):", "if asked.token and (seen := None):", KEPT),
    Deletion("register: a filter in one place", FILLING, "if told := elsewhere(state.housed, found.serial, housing.tag, spot):", "if told := '':", FILLED),
    Deletion("register: only what is there leaves", FILLING, "if now is None or now.filter is None:\n        raise", "if now is None:\n        raise", FILLED),
    Deletion("register: nothing entered twice", FILLING, "if now is not None and now.filter == found:", "if False:", FILLED),
    Deletion("register: installed after made", FILLING, "if made is not None and installed is not None and installed < made:", "if False:", FILLED),
    Deletion("register: a job's number elsewhere", FILLING, "elif where is not None and where not in leaving:", "elif False:", FILLED),
    Deletion("register: a job's number twice", FILLING, "if serial_key(found.serial) in taken:", "if False:", FILLED),
    Deletion("register: later entries stand", FILLING, "if now is not None and now.since > move.at and now.filter != found:", "if False:", FILLED),
    Deletion("register: rehearsals move nothing", FILLING, "if job.opened is None or job.opened.rehearsal:", "if job.opened is None:", FILLED),
    Deletion("survey: signed as shown", SURVEYING, "if not as_shown(point, typed):", "if False:", SURVEYED),
    Deletion("survey: differs in words", SURVEYING, "if not told:", "if False:", SURVEYED),
    Deletion("survey: words and choice agree", SURVEYING, "            if found:\n                raise", "            if False:\n                raise", SURVEYED),
    Deletion("survey: one number, one position", SURVEYING, "if len(set(serials)) != len(serials):", "if False:", SURVEYED),
    Deletion("survey: a filter in one place", SURVEYING, "if told := elsewhere(state.housed, read.serial, housing.tag, (port, int(place))):", "if told := '':", SURVEYED),
    Deletion("survey: changed means changed", SURVEYING, 'if outcome == "register changed" and housing is not None and _stands(found, housing, state.housed):', "if False:", SURVEYED),
    Deletion("import: nobody undone", ENTRY, "if max(entered, default=-1) >= entering.seen:", "if False:", SURVEYED),
    Deletion("import: a filter in one place", ENTRY, "if told := elsewhere(state.housed, found.serial, tag, (port, position)):", "if told := '':", SURVEYED),
    Deletion("crew: brief before work", "app/domain/job.py", "return Stage.BRIEFING if self.crew.to_brief else Stage.OPEN", "return Stage.OPEN", JOB),
    Deletion("crew: briefed before a mark", CREW, "if moment.paper is None and state.crew.member(moment.by.id) is None:\n        raise", "if False:\n        raise", JOB),
    Deletion("crew: lead briefed before a release", CREW, "if not state.crew.may_release(who):", "if False:", JOB),
    Deletion("crew: qualified", COMMON, "if told := lacking(who, moment.qualifications, needs_of(state), moment.on):", "if told := ():", JOB),
    Deletion("crew: qualified to lock on", LOCKING, "            qualified(state, moment.by, moment)\n", "", CREWED),
    Deletion("crew: qualified to read again", WATCHING, "    qualified(state, moment.by, moment)\n", "", CREWED),
    Deletion("crew: qualified to take over", LEAVING, "    _fit_for_the_work(state, moment)\n    if missing", "    if missing", CREWED),
    Deletion("crew: qualified when it is signed", LEAVING, '    if part == "incoming":\n        _fit_for_the_work(state, moment)\n', "", CREWED),
    Deletion("crew: nobody leaves an accepted record", CREW, 'if state.accepted is not None:\n        raise Refused(\n            "accepted", "The record has been accepted; nobody', 'if False:\n        raise Refused(\n            "accepted", "The record has been accepted; nobody', JOB),
    Deletion("note: a step of the job", "app/domain/deciding/noting.py", "if command.step is not None and state.step(command.step) is None:", "if False:", JOB),
    Deletion("stop: explained once", STOPPING, "if state.stop.reason:", "if False:", JOB),
    Deletion("crew: briefed once", CREW, "if (part is Part.WORK and state.crew.member(by.id)) or (part is Part.RELEASE and by.id in state.crew.signers):", "if False:", JOB),
    Deletion("crew: technicians release nothing", CREW, "if part is Part.RELEASE and by.role is Role.TECHNICIAN:", "if False:", JOB),
    Deletion("crew: taken off by a lead", CREW, "if moment.by.role is not Role.LEAD and moment.by.id != person.id:", "if False:", JOB),
    Deletion("crew: a worker is on the crew", CREW, "if worker is None:\n        raise", "if worker is None:\n        return moment.by\n    if False:\n        raise", "tests/domain/test_crew.py"),
    Deletion("crew: verified in own name", CREW, "if step.kind is StepKind.VERIFY:", "if False:", "tests/domain/test_crew.py"),
    Deletion("crew: a pause is not ticked off", CREW, "if state.crew.enforced and step.says:", "if False:", JOB),
    Deletion("crew: a pause needs everybody", CREW, "if len(fresh) < len(missing):", "if False:", "tests/domain/test_crew.py"),
    Deletion("crew: each speaks once", CREW, "if not fresh:", "if not fresh and not (fresh := [moment.by]):", JOB),
    Deletion("questions before review", LESSONS, "if left := state.unanswered:", "if left := ():", JOB),
    Deletion("questions only about deviations", LESSONS, "if asked is None:", "if asked is None and (asked := state.notables[0]) is None:", "tests/domain/test_lessons.py"),
    Deletion("a note follows a note", "app/domain/deciding/noting.py", "if command.follows is not None and command.follows not in state.notes:", "if False:", "tests/domain/test_lessons.py"),
    Deletion("lead enters a contingency", CONTINGENCY, "if moment.by.role is not Role.LEAD:", "if False:", DEPARTURES_C),
    Deletion("stopper enters a contingency", CONTINGENCY, "if state.stop.is_by(moment.by):", "if False:", DEPARTURES_C),
    Deletion("contingency from a stop", CONTINGENCY, "if state.stop is None or state.due is None:", "if state.due is None:", DEPARTURES_C),
    Deletion("contingency where it can be", CONTINGENCY, "and at == spot), None)", "), None)", DEPARTURES_C),
    Deletion("change waits", CHANGE, 'if waiting := state.changes.waiting_at(step.id):\n        raise Refused(\n            "change_waits"', 'if False and (waiting := state.changes.waiting_at(step.id)):\n        raise Refused(\n            "change_waits"', DEPARTURES),
    Deletion("answers that bind", CHANGE, 'if changed["options"] and (told := answers_bind(state.steps, step)):', "if told := '':", DEPARTURES),
    Deletion("own change", CHANGE, "if moment.by.id == found.proposed.by.id or", "if", DEPARTURES),
    Deletion("approver carries out", CHANGE, "if who.id in state.changes.approvers_at(step.id):", "if False:", DEPARTURES),
    Deletion("approver is beside", WORK, "    complain_of_approver(state, step, second)\n", "", DEPARTURES),
    Deletion("beside it and approves", CHANGE, "moment.by.id in begun.hands", "moment.by.id in begun.doers", DEPARTURES),
    Deletion("roles that approve", CHANGE, "if moment.by.role not in missing:", "if False:", DEPARTURES),
    Deletion("critical is set aside", ASIDE, "if why := why_not_aside(step, state.steps):", 'if why := "":', DEPARTURES),
    Deletion("lead sets aside", ASIDE, "if moment.by.role is not Role.LEAD:", "if False:", DEPARTURES),
    Deletion("re-open a bare stop", STOPPING, "    complain_of_bare_stop(state)\n", "", DEPARTURES),
    Deletion("contingency from a bare stop", CONTINGENCY, "    complain_of_bare_stop(state)\n", "", DEPARTURES),
    Deletion("re-open two accounts", STOPPING, "if state.stage is Stage.CONTESTED:", "if False:", DEPARTURES),
    Deletion("looks at points beside the model", "app/domain/reopening.py", "found += _other_point(item)", "pass", LEFT),
    Deletion("looks at own locks", "app/domain/reopening.py", "for item in state.locks.own:", "for item in ():", LEFT),
    Deletion("looks at re-opening", STOPPING, "(*rechecks_for(state), *_own_look(command))", "_own_look(command)", DEPARTURES),
    Deletion("gate: pauses", WORK, "    gate(state, step, moment)\n    return crew.confirm_pause", "    return crew.confirm_pause", DEPARTURES),
    Deletion("gate: holds", WORK, "    gate(state, step, moment)\n    crew.may_release", "    crew.may_release", DEPARTURES),
    Deletion("gate: radio", RADIO, "    gate(state, step, moment)\n", "", DEPARTURES),
    Deletion("gate: set aside", ASIDE, "    gate(state, step, moment)\n", "", DEPARTURES),
    Deletion("radio: briefed sender", RADIO, "    crew.may_release(state, step, command.sender)\n", "", DEPARTURES),
    Deletion("change of a step that stands", CHANGE, "if state.mark(step.id).stands:", "if False:", DEPARTURES),
    Deletion("trial before leaving", LEAVING, "if stroke := state.locks.stroke:", "if False and (stroke := state.locks.stroke):", DEPARTURES),
    Deletion("texts: two people", WRITING, "if step.second is not Second.CONCURRENT and (", "if False and (", TEXTS),
    Deletion("texts: another verifies", WRITING, "if Act.VERIFY_ISOLATION in acts and step.kind is not StepKind.VERIFY:", "if False:", TEXTS),
    Deletion("texts: a table of locks", WRITING, 'if step.table != "locks_on":', "if False:", TEXTS),
    Deletion("texts: steps in a row", WRITING, "> LONGEST_PART:", "> 10**9:", TEXTS),
    Deletion("texts: a further point", WRITING, "if not step.further and any(", "if False and any(", TEXTS),
    Deletion("hand-over: own locks", LEAVING, "if told := own_lock_fault(under_way, state.locks):", "if told := '':", LEFT),
    Deletion("hand-over: a second person who has gone", CREW, "    if moment.paper is None:\n        _still_here(state, step, second)\n    else:", "    if moment.paper is not None:", LEFT),
    Deletion("hand-over: a worker who has gone", CREW, "    _still_here(state, step, worker)\n", "", LEFT),
    Deletion("hand-over: a voice that has gone", CREW, "    _still_here(state, step, who)\n", "", LEFT),
    Deletion("late joiners", DECIDE, "    complain_of_standing(state, command, moment)\n", "", STANDING),
    Deletion("late joiners: exposed", "app/domain/deciding/standing.py", "needed is not Standing.CREW and by.id in crew.signers", "by.id in crew.signers", STANDING),
    Deletion("late joiners: from outside", "app/domain/deciding/standing.py", "by.role in (Role.LEAD, Role.SAFETY_OFFICER)", "True", STANDING),
    Deletion("suspended: the last own lock", LOCKING, "if left_alone(state, moment.by):", "if False:", LEFT),
    Deletion("suspended: a lock of who has gone", ISOLATION, "{person.id, *state.leaving.gone}", "{person.id}", LEFT),
    Deletion("hand-over: lock off too early", LOCKING, "if told := lock_off_fault(state.leaving.handover, state.locks, moment.by, crew.then_of(moment)):", "if told := '':", LEFT),
    Deletion("submit under a lock", REVIEWING, "    _complain_of_locks(state)\n    _complain_of_packages(moment)\n    none_open(state)\n    return (event_of(JobSubmitted", "    _complain_of_packages(moment)\n    none_open(state)\n    return (event_of(JobSubmitted", LEFT),
    Deletion("accept under a lock", REVIEWING, "    _complain_of_locks(state)\n    _complain_of_packages(moment)\n    none_open(state)\n    of_site", "    _complain_of_packages(moment)\n    none_open(state)\n    of_site", LEFT),
    Deletion("submit over an open package", REVIEWING, "    _complain_of_packages(moment)\n    none_open(state)\n    return (event_of(JobSubmitted", "    none_open(state)\n    return (event_of(JobSubmitted", WASTE),
    Deletion("accept over an open package", REVIEWING, "    _complain_of_packages(moment)\n    none_open(state)\n    of_site", "    none_open(state)\n    of_site", WASTE),
    Deletion("waste: what a package lacks", WASTING, "if item.name not in waste.excused and (missing := lacks(waste, item))", "if (missing := ())", WASTE),
    Deletion("waste: unit under a reading", WASTING, "if other in facts and other in told and told[other].text != facts[other]:", "if False:", WASTE),
    Deletion("waste: instrument put aside", WASTING, "if name in state.put_aside:", "if False:", WASTE),
    Deletion("waste: instrument of the reading", WASTING, "_stored(state, chosen, tool) if reading in facts else []", "[]", WASTE),
    Deletion("waste: own seal checked", WASTING, "if moment.by is not None and moment.by.id in package.sealed_by:", "if False:", WASTE),
    Deletion("waste: put in unready", WASTING, "if missing := not_ready(waste, package):", "if missing := ():", WASTE),
    Deletion("waste: handed over unready", WASTING, "if missing := not_ready(state.waste, known[name]):", "if missing := ():", WASTE),
    Deletion("waste: out of its container", WASTING, "if where.kind is Whereabouts.CONTAINER and where.place not in held:", "if False:", WASTE),
    Deletion("waste: never made, accepted", WASTING, 'if how == "never made" and not state.jobs.is_in_hand(package.job):', "if False:", WASTE),
    Deletion("waste: lost and handed over", WASTING, "if where.kind in (Whereabouts.LOST, Whereabouts.NEVER_MADE):\n            raise", "if False:\n            raise", WASTE),
    Deletion("waste: gone", WASTING, "if where.kind in LEFT and where.kind is not Whereabouts.NEVER_MADE:", "if False:", WASTE),
    Deletion("waste: too heavy", WASTING, "if room.weight_left < 0:", "if False:", WASTE),
    Deletion("waste: too heavy to leave", WASTING, "if held.weight_left < 0:", "if False:", WASTE),
    Deletion("waste: too large", WASTING, "if sides is not None and not fits(", "if False and not fits(", WASTE),
    Deletion("radio where allowed", RADIO, "or not step.by_radio:", "and not step.by_radio:", DEPARTURES),
    Deletion("radio received by a lead", RADIO, "if moment.by.role is not Role.LEAD:", "if False:", DEPARTURES),
    Deletion("tags repeated", RADIO, 'if command.housing.strip() != housing or command.port.strip() != (step.port or ""):', "if False:", DEPARTURES),
    Deletion("sender of the role", RADIO, "if sender.role is not step.role:", "if False:", DEPARTURES),
    Deletion("sender did not work", RADIO, "if sender.id == moment.by.id or", "if", DEPARTURES),
    Deletion("sender signs", RADIO, "if found.sender.id != moment.by.id:", "if False:", DEPARTURES),
    Deletion("unsigned at review", REVIEWING, "if unsigned := state.unsigned:", "if unsigned := ():", DEPARTURES),
    Deletion("leaving: at rest", LEAVING, "if to_rest is not None and moment.by.role is not Role.LEAD:", "if False:", JOB),
    Deletion("leaving: while open", LEAVING, "if state.stage is not Stage.OPEN or state.due is None:", "if state.due is None:", JOB),
    Deletion("leaving: suspended before return", LEAVING, "if state.stage is not Stage.SUSPENDED:", "if False:", JOB),
    Deletion("leaving: line to read", LEAVING, "if not state.leaving.unread or state.stage is not Stage.LOOKING or state.leaving.last is None:", "if state.leaving.last is None:", JOB),
    Deletion("leaving: line read first", LEAVING, "if state.leaving.unread:\n        raise", "if False:\n        raise", JOB),
    Deletion("leaving: incoming looks", LEAVING, "is not None and under_way.incoming.id != moment.by.id:", "is not None and False:", JOB),
    Deletion("leaving: looks that are asked", LEAVING, "if state.stage is not Stage.LOOKING or not command.answers or", "if not command.answers or", JOB),
    Deletion("permit: one of the list", LEAVING, "if command.permit not in list(PermitFate):", "if False:", PERMIT_AWAY),
    Deletion("permit: to somebody", LEAVING, "if fate is not PermitFate.IN_FORCE or named:", "if named:", PERMIT_AWAY),
    Deletion("permit: on record when left", LEAVING, "    complain_of_no_permit(state)\n    if command.permit", "    if command.permit", PERMIT_AWAY),
    Deletion("permit: on record at the end", REVIEWING, "    complain_of_no_permit(state)\n    return words_of", "    return words_of", PERMIT_AWAY),
    Deletion("permit: gate", "app/domain/deciding/gate.py", "    complain_of_permit_away(state, step)\n", "", PERMIT_AWAY),
    Deletion("permit: looks", "app/domain/reopening.py", "found = permit_looks(state)", "found: list[Recheck] = []", PERMIT_AWAY),
    Deletion("permit: read as recorded", "app/domain/job.py", "permit_read(state.leaving, event.recheck) if event.as_expected else state.leaving", "permit_read(state.leaving, event.recheck)", PERMIT_AWAY),
    Deletion("permit: marks without it", "app/domain/history.py", "if isinstance(event, MARKS) and (away", "if False and (away", PERMIT_AWAY),
    Deletion("leaving: own hand-over", LEAVING, "if outgoing.id == moment.by.id:", "if False:", JOB),
    Deletion("leaving: same role", LEAVING, "if outgoing.role is not moment.by.role:", "if False:", JOB),
    Deletion("leaving: gone twice", LEAVING, "or outgoing.id in state.leaving.gone:", "or False:", JOB),
    Deletion("leaving: documents", LEAVING, "if missing := [words for name, words in DOCUMENTS.items() if name not in command.documents]:", "if missing := []:", JOB),
    Deletion("leaving: signed after looking", LEAVING, "if under_way is None or state.stage is not Stage.HANDING_OVER:", "if under_way is None:", JOB),
    Deletion("leaving: order of signatures", LEAVING, "if signer.id != moment.by.id:", "if False:", JOB),
    Deletion("leaving: handed over", LEAVING, "if told and not isinstance(command, (TakeOver", "if False and not isinstance(command, (TakeOver", JOB),
    Deletion("paper: a step is left", PAPER, "if due is None or state.opened is None or state.stage is Stage.ACCEPTED:", "if state.opened is None:", JOB),
    Deletion("paper: accounted for once", PAPER, "if blank.how is not None:", "if False:", JOB),
    Deletion("paper: photo", PAPER, 'if not command.photo:\n        raise Invalid("There is no photo of the paper page', 'if False:\n        raise Invalid("There is no photo of the paper page', JOB),
    Deletion("paper: second person", PAPER, "if compared_by.id == moment.by.id:", "if False:", JOB),
    Deletion("paper: second at the work", PAPER, "if command.beside is None or command.beside.id == command.hand.id:", "if command.beside is None:", "tests/domain/test_paper.py"),
    Deletion("paper: hold from its hand", PAPER, "if step.kind is StepKind.HOLD and command.hand.id != moment.by.id:", "if False:", JOB),
    Deletion("paper: times in order", PAPER, "if any(earlier > later for earlier, later in pairwise(instants)):", "if False:", BESIDES),
    Deletion("paper: on the blank", PAPER, "if step is None or state.index[step.id] < state.index.get(blank.step, 0):", "if step is None:", JOB),
    Deletion("paper: attached only if used", PAPER, 'if command.how == "attached" and', "if False and", JOB),
    Deletion("paper: void with a reason", PAPER, 'if command.how == "voided":', "if False:", JOB),
    Deletion("paper: returned with a photo", PAPER, 'if command.how == "returned" and not command.photo:', "if False:", JOB),
    Deletion("paper: a lock off without its owner", BESIDE, "if lock is None or lock.by.id in (moment.by.id, command.compared_by.id):", "if True:", BESIDES),
    Deletion("paper: own locks of the crew", BESIDE, "        there_then(state, command.hand, then)\n", "        pass\n", BESIDES),
    Deletion("paper: rows in order", BESIDE, "            in_order(state, blank, step, (command.happened,), moment, by_a_lead=not spoken)\n", "", BESIDES),
    Deletion("paper: off after on", BESIDE, "        _after_it_went_on(state, act, command, moment)\n", "", BESIDES),
    Deletion("paper: locked on over work", BESIDE, "if not isinstance(act, PutOwnLockOn) or state.stop is not None:", "if True:", BESIDES),
    Deletion("paper: own locks at the time of the page", PAPER, "    if not goes_back(step) or (row := state", "    if True or (row := state", BESIDES),
    Deletion("paper: before a stop", PAPER, "if not state.before_unsettled(blank.seq, times) or (by_a_lead and moment.by.role is Role.LEAD):", "if True:", BESIDES),
    Deletion("paper: holds and pauses anew", PAPER, "(by_a_lead and moment.by.role is Role.LEAD):", "moment.by.role is not Role.TECHNICIAN:", BESIDES),
    Deletion("paper: done after begun", PAPER, '_done_before(state, step), begun.when if begun else "")', "_done_before(state, step))", BESIDES),
    Deletion("paper: briefed by then", CREW, "    if state.crew.enforced and all(member.id != who.id for member in state.crew.there(then)):", "    if False:", BESIDES),
    Deletion("paper: gone by then", CREW, "    if state.had_gone(who, then):", "    if False:", BESIDES),
    Deletion("paper: a door was off", WATCHING, "if moment.paper is not None and not _off_then(state, to_minute(moment.local_time)):", "if False:", BESIDES),
    Deletion("paper: recorded before the page", WORK, "stamp.recorders if stamp.seq < printed else stamp.doers", "stamp.doers if moment.paper is not None else stamp.recorders", BESIDES),
    Deletion("record: before a stop, from paper", "app/domain/history.py", "if again and state.before_unsettled(blank.seq, (came.happened,)):", "if False:", BESIDES),
    Deletion("record: second person of a page on the crew", "app/domain/history.py", "if second is not None and state.crew.enforced and all(who.id != second.id for who in state.crew.there(then)):", "if False:", "tests/domain/test_paper.py"),
    Deletion("record: second person of a page had gone", "app/domain/history.py", "for who in (came.hand, second):\n        if who is not None and state.had_gone", "for who in (came.hand,):\n        if who is not None and state.had_gone", "tests/domain/test_paper.py"),
    Deletion("record: second person of a page works", "app/domain/history.py", "(came.compared_by, came.hand, second) if who", "(came.compared_by, came.hand) if who", "tests/domain/test_paper.py"),
    Deletion("record: own locks at the time of the page", "app/domain/history.py", "if step is not None and goes_back(step) and (row := state", "if False and (row := state", BESIDES),
    Deletion("record: off by paper before on", "app/domain/lock_history.py", "if then is not None and then < to_minute(lock.since):", "if False:", BESIDES),
    Deletion("record: exposed without a brief", "app/domain/lock_history.py", "if crew.enforced and all(who.id != event.hand.id for who in there):", "if False:", BESIDES),
    Deletion("paper: own locks after the printing", BESIDE, '            complain_about_times(minute_of(blank.at), (command.happened,), moment.at, "the printing of the blank")\n', "            pass\n", BESIDES),
    Deletion("paper: each speaks for themselves", BESIDE, "return event.person if isinstance(event, PauseConfirmed) else hand", "return hand", BESIDES),
    Deletion("paper: beside the order of the steps", "app/domain/paper.py", "state.last if beside else came.happened", "came.happened", BESIDES),
    Deletion("paper: a pause of the crew then", CREW, "state.unspoken(step.id, then=then)", "state.unspoken(step.id)", BESIDES),
    Deletion("paper: rows seen by who entered them", WORK, "row.recorders if row.seq < printed else {row.by.id}", "{row.by.id}", BESIDES),
    Deletion("paper: an older reading", "app/domain/watching.py", "max(watch.due, later(event.happened, watch.minutes))", "later(event.happened, watch.minutes)", BESIDES),
    Deletion("record: a lock off by paper", "app/domain/lock_history.py", "if came is not None and lock.by.id not in (event.by.id, came.compared_by.id):", "if False:", BESIDES),
    Deletion("record: a pause by another hand", "app/domain/history.py", "if isinstance(event, PauseConfirmed) and came.hand.id != event.person.id:", "if False:", BESIDES),
    Deletion("verifier: apart in time", WORK, "    _apart_in_time(state, step, marks, moment)\n", "", VERIFYING),
    Deletion("record: verified too soon", "app/domain/history.py", "if wait and any(done is not None", "if False and any(done is not None", VERIFYING),
    Deletion("refusals alike", "app/services/jobs.py", "            kept = kept and state.refused.count((moment.by.id, no.code)) < MOST_ALIKE\n", "", "tests/services/test_jobs.py"),
    Deletion("refusals alike, after something else", "app/domain/job.py", "if state.refused and not isinstance(event, AttemptRefused):", "if False:", "tests/services/test_jobs.py"),
    Deletion("paper: out before review", REVIEWING, "if told := blanks_out_words(state):", 'if told := "":', "tests/domain/test_paper.py"),
    Deletion("isolation: a trial in hand", ISOLATION, "if stroke := state.locks.stroke:", "if stroke := None:", LOCKS),
    Deletion("isolation: readings missed", ISOLATION, "if state.watch.missed + len(missed_by(state.watch, moment.at)) >= MOST_MISSED:", "if False:", LOCKS),
    Deletion("isolation: own locks on", ISOLATION, "if goes_back(step) and (own := state.locks.own):", "if own := ():", LOCKS),
    Deletion("isolation: the door waits for locks", ISOLATION, "if opens and has_table(state) and (missing := unlocked(state)):", "if missing := ():", LOCKS),
    Deletion("isolation: a row missing", ISOLATION, 'if step.table == "locks_on" and missing:', "if False:", LOCKS),
    Deletion("isolation: a lock left on", ISOLATION, 'if step.table == "locks_off" and (on := state.locks.points):', "if on := ():", LOCKS),
    Deletion("isolation: no label", ISOLATION, "if not typed:", "if False:", LOCKS),
    Deletion("isolation: another label", ISOLATION, "if told_apart(typed, tag, near):", "if typed:", LOCKS),
    Deletion("isolation: hands do not verify", WORK, "hands = hands.union(*(row.recorders", "hands.union(*(row.recorders", LOCKS),
    Deletion("locks: accepted", LOCKING, "if state.stage is Stage.ACCEPTED:", "if False:", LOCKS),
    Deletion("locks: number in use", LOCKING, "if on := state.locks.numbered(lock):", "if on := None:", LOCKS),
    Deletion("locks: the step of the rows", LOCKING, "if step.table != table:", "if False:", LOCKS),
    Deletion("locks: a row twice", LOCKING, "if row := state.locks.at(point.id):\n        raise", "if row := None:\n        raise", LOCKS),
    Deletion("locks: safe position", LOCKING, "if command.seen != point.safe:\n        if", "if False:\n        if", LOCKS),
    Deletion("locks: only its owner", LOCKING, "if lock.by.id != moment.by.id:", "if False:", LOCKS),
    Deletion("locks: two roles", LOCKING, "if moment.by.role is not Role.LEAD or command.officer.role is not Role.SAFETY_OFFICER:", "if False:", LOCKS),
    Deletion("locks: not one's own", LOCKING, "if lock.by.id in (moment.by.id, command.officer.id):", "if False:", LOCKS),
    Deletion("locks: an attempt", LOCKING, "if not given:", "if False:", LOCKS),
    Deletion("locks: a point only when they come off", LOCKING, "if lock.point:\n        _row_step", "if False:\n        _row_step", LOCKS),
    Deletion("further: one is named", ISOLATION, "if step.further and not named_at(state, step):", "if False:", FURTHER),
    Deletion("further: no mark with the last row", LOCKING, "and not step.further)", ")", FURTHER),
    Deletion("further: named at its step", LOCKING, "if not step.further:", "if False:", FURTHER),
    Deletion("further: a kind", LOCKING, "if command.kind not in tuple(FurtherKind):", "if False:", FURTHER),
    Deletion("further: named once", LOCKING, "if same_tag(tag, told)), None):", "if False), None):", FURTHER),
    Deletion("further: not too many", LOCKING, "if len(state.locks.further) >= MOST_FURTHER:", "if False:", FURTHER),
    Deletion("further: struck off where it was named", LOCKING, "for item in named_at(state, step) if item.id == command.point", "for item in state.points if item.id == command.point", FURTHER),
    Deletion("further: not struck off under a lock", LOCKING, "if hung := state.locks.at(point.id):", "if hung := None:", FURTHER),
    Deletion("further: asked at the verification", "app/domain/job.py", "return _further_asked(state) if state.locks.further or type(event) is PointStruck else state", "return state", FURTHER),
    Deletion("further: nothing asked once struck off", "app/domain/job.py", "state.locks.further or type(event) is PointStruck", "state.locks.further", FURTHER),
    Deletion("further: never set aside", "app/domain/applicability.py", "if step.table is not None:", "if False:", FURTHER),
    Deletion("record: named at another step", "app/domain/lock_history.py", "if state.due is None or state.due.id != event.step or not state.due.further:", "if False:", FURTHER),
    Deletion("record: named twice", "app/domain/lock_history.py", "if any(item.id == event.point or same_tag(item.tag, event.tag) for item in state.points):", "if False:", FURTHER),
    Deletion("record: struck off under a lock", "app/domain/lock_history.py", 'if hung else ""', 'if False else ""', FURTHER),
    Deletion("record: no further point", "app/domain/lock_history.py", "if isinstance(event, StepDone) and step.further and not named_at(state, step):", "if False:", FURTHER),
    Deletion("trial: its order", LOCKING, "if command.part is not stroke.part:", "if False:", LOCKS),
    Deletion("trial: begun by a lead", LOCKING, 'if moment.by.role is not Role.LEAD:\n        raise Refused("role", f"A {moment.by.role.words} cannot have', 'if False:\n        raise Refused("role", f"A {moment.by.role.words} cannot have', LOCKS),
    Deletion("trial: one at a time", LOCKING, "if state.stage is not Stage.OPEN or state.locks.stroke is not None:", "if False:", LOCKS),
    Deletion("trial: not while stopped", LOCKING, "if command.part is not StrokePart.ON and state.stage is not Stage.OPEN:", "if False:", LOCKS),
    Deletion("trial: a damper with a lock on", LOCKING, "if point.kind not in DAMPERS or state.locks.at(point.id) is None:", "if False:", LOCKS),
    Deletion("trial: every door on", LOCKING, "if state.model is None or any(port.door is not Door.SHUT for port in state.model.ports):", "if False:", LOCKS),
    Deletion("trial: others locked on", LOCKING, "if own := [item.by.name for item in state.locks.own if item.by.id != moment.by.id]:", "if own := []:", LOCKS),
    Deletion("trial: safe again", LOCKING, "if command.seen != point.safe:\n        raise", "if False:\n        raise", LOCKS),
    Deletion("reading: only with a door off", WATCHING, "if repeated is None or not asked or state.stage is Stage.ACCEPTED:", "if repeated is None:", LOCKS),
    Deletion("reading: the second stops", WATCHING, "if missed and count + len(missed) >= MOST_MISSED:", "if False:", LOCKS),
    Deletion("reading: outside stops", WATCHING, 'if judged.verdict != "outside" or state.stop is not None:', "if judged:", LOCKS),
    Deletion("approved: of this text", ISSUING, "if digest in site.approved:", "if site.approved:", ISSUING_D),
    Deletion("approved: by a role", ISSUING, "if who.role not in APPROVING:", "if False:", ISSUING_D),
    Deletion("approved: not by its author", ISSUING, "if same_person(who.name, procedure.author):", "if False:", ISSUING_D),
    Deletion("approved: by whom the text names", ISSUING, "if _works_here(procedure.approver, site) and not same_person(who.name, procedure.approver):", "if False:", ISSUING_D),
    Deletion("approved: as shown", ISSUING, "if seen != digest:", "if False:", ISSUING_D),
    Deletion("approved: once", ISSUING, "if (given := state.approved.get(digest)) is not None and given.by is not None:", "if False:", ISSUING_D),
    Deletion("approved: what can be issued", ISSUING, "    if told := why_not(procedure, digest, state):\n        raise Invalid(told)\n", "", ISSUING_D),
    Deletion("author and approver differ", ISSUING, "if same_person(procedure.author, procedure.approver):", "if False:", ISSUING_D),
    Deletion("not issued by its author", ISSUING, "if who is None or not same_person(procedure.author, who.name):", "if True:", ISSUING_D),
    Deletion("issued: only approved", "app/services/issuing.py", "why_not(procedure, digest, site) or not_approved(procedure, digest, site)", "why_not(procedure, digest, site)", "tests/web/test_issue.py"),
    Deletion("opened: only issued", "app/services/jobs.py", "if site.name and draft.procedure_sha256", "if site.procedures and draft.procedure_sha256", "tests/services/test_jobs.py"),
    Deletion("plan: known housing", SCHEDULING, "if housing not in housings:", "if False:", PLANNED),
    Deletion("plan: known procedure", SCHEDULING, "if procedure not in procedures:", "if False:", PLANNED),
    Deletion("limits: no job without one", "app/services/jobs.py", "            complain_of_limits(command.draft)\n", "", LIMITED_W),
    Deletion("limits: of every reading", LIMITED, "if not draft.rehearsal and (missing :=", "if False and (missing :=", LIMITED_D),
    Deletion("limits: a rehearsal needs none", LIMITED, "if not draft.rehearsal and (missing :=", "if (missing :=", LIMITED_D),
    Deletion("limits: both ends", LIMITED, "if not typed.strip():", "if False:", LIMITED_D),
    Deletion("limits: the lower end first", LIMITED, 'if exact(ends[0], name="Lowest value") > exact(ends[1], name="Highest value"):', "if False:", LIMITED_D),
    Deletion("limits: a change", LIMITED, '    if now == was:\n        raise Invalid("That limit', '    if False:\n        raise Invalid("That limit', LIMITED_D),
    Deletion("off the register: nothing planned", SCHEDULING, "    complain_if_off(state, housing)\n", "", OFF_TESTS),
    Deletion("off the register: no job opened", "app/services/jobs.py", "            complain_if_off(register, command.draft.housing.tag)\n", "", "tests/web/test_off_register.py"),
    Deletion("off the register: not over a job in hand", OFF, "if state.jobs.is_in_hand(line.job):", "if False:", OFF_TESTS),
    Deletion("off the register: once", OFF, "    complain_if_off(state, housing.tag)\n", "", OFF_TESTS),
    Deletion("off the register: back what is off", OFF, "if tag not in state.housed.off:", "if False:", OFF_TESTS),
    Deletion("plan: planned once", SCHEDULING, "if other.intent == found:", "if False:", PLANNED),
    Deletion("plan: dropped may be made anew", SCHEDULING, "for other in state.planned.waiting:", "for other in state.planned.values():", PLANNED),
    Deletion("plan: a change changes", SCHEDULING, "if found == known.intent:", "if False:", PLANNED),
    Deletion("plan: dropped", SCHEDULING, "if known.dropped:", "if False:", PLANNED),
    Deletion("plan: dropped with its kit put back", SCHEDULING, "if state.store.is_open(plan):", "if False:", PLANNED),
    Deletion("plan: opened", SCHEDULING, "if known.job:", "if False:", PLANNED),
    Deletion("plan: ends after it begins", SCHEDULING, "if lasts <= timedelta():", "if False:", PLANNED),
    Deletion("plan: longest window", SCHEDULING, "if lasts > LONGEST_WINDOW:", "if False:", PLANNED),
    Deletion("plan: not in the past", SCHEDULING, "if moved and begins", "if False and begins", PLANNED),
    Deletion("plan: a day that has come stays", SCHEDULING, "if moved and begins", "if begins", PLANNED),
    Deletion("plan: led by a lead", SCHEDULING, "if who is None or who.role is not Role.LEAD:", "if who is None:", PLANNED),
    Deletion("plan: crew that works", SCHEDULING, "if who is None or who.role not in WORKING:", "if who is None:", PLANNED),
    Deletion("plan: crew has an end", SCHEDULING, "if len(crew) > MOST_CREW:", "if False:", PLANNED),
    Deletion("plan: a minute that never was", SCHEDULING, "if shown is None:", "if False:", PLANNED),
    Deletion("plan: its own housing and procedure", SCHEDULING, "if (known.housing, known.procedure) != (draft.housing.tag, draft.procedure):", "if False:", PLANNED),
    Deletion("ready: who may answer", READYING, "if role not in AGREEING and", "if False and", READINESS),
    Deletion("ready: named may answer", READYING, "(moment.by is None or moment.by.id != before.person)", "True", READINESS),
    Deletion("ready: the officer's own item", READYING, "if item in OFFICERS_OWN and role is not Role.SAFETY_OFFICER:", "if False:", READINESS),
    Deletion("ready: answered once", READYING, "if before.standing is Standing.ANSWERED and", "if False and", READINESS),
    Deletion("ready: officer leaves out", READYING, "if moment.by is None or moment.by.role is not Role.SAFETY_OFFICER:", "if False:", READINESS),
    Deletion("ready: left out once", READYING, "if (before.standing, before.reason) == (Standing.NOT_NEEDED, why):", "if False:", READINESS),
    Deletion("ready: opened again once", READYING, "if not settled(known, found):", "if False:", READINESS),
    Deletion("ready: owed by who works", READYING, "if who is None or who.role not in WORKING:", "if who is None:", READINESS),
    Deletion("ready: space owed by an officer", READYING, "if found in OFFICERS_OWN and who.role is not Role.SAFETY_OFFICER:", "if False:", READINESS),
    Deletion("ready: owed in time", READYING, "if not moment.today <= day <= date.fromisoformat(known.begins[:10]):", "if False:", READINESS),
    Deletion("ready: owed once", READYING, "if (before.person, before.until) == (who.id, day):", "if False:", READINESS),
    Deletion("ready: roles that agree", READYING, "if moment.by is None or moment.by.role not in AGREEING:", "if moment.by is None:", READINESS),
    Deletion("ready: the plan's own lead", READYING, "if moment.by.role is Role.LEAD and moment.by.id != known.intent.lead:", "if False:", READINESS),
    Deletion("ready: signed as seen", READYING, "if seen != str(known.readiness.newest):", "if False:", READINESS),
    Deletion("ready: nothing open", READYING, "if left := still_open(known, service):", "if left := ():", READINESS),
    Deletion("ready: misfits", READYING, "    _complain_of_misfits(Setting(known, service, moment.today, lacks(state, known, people, needs)))\n", "", READINESS),
    Deletion("ready: told anew", READYING, "if item in OF_THE_SETTING and shown != state.shown:", "if False:", READINESS),
    Deletion("ready: signed once", READYING, "if signed.by is not None and moment.by.id == signed.by.id:", "if False:", READINESS),
    Deletion("ready: opened as it stands", READYING, 'if given is not None and given != prepared(state, given.plan, draft.housing, given.reason or "", at=draft.at):', "if False:", READINESS),
    Deletion("ready: opened before its hours", READYING, "if today < first:", "if False:", READINESS),
    Deletion("ready: opened after its hours", READYING, "if now <= plan.ends:", "if True:", READINESS),
    Deletion("ready: a reason outside its hours", READYING, "if ready and not off:", "if ready:", READINESS),
    Deletion("ready: left behind by a survey", FIT, 'if told := " ".join(left.sentence for left in plan.left if left.item is item):', "if told := '':", READINESS),
    Deletion("ready: a reason to open", READYING, "if not reason.strip():", "if False:", READINESS),
    Deletion("ready: answers fit the plan", ITEMS, " and not no_longer_fits(plan, item)", "", READINESS),
    Deletion("ready: a permit for the hours of now", FIT, "if until and until < now.begins[:10]:", "if False:", READINESS),
    Deletion("ready: a permit to the end of now", FIT, "if until and was.ends[:10] != now.ends[:10] and", "if False and", READINESS),
    Deletion("ready: decontaminated by the end of now", FIT, "if on > now.ends[:10]:", "if False:", READINESS),
    Deletion("ready: decontaminated for these days", FIT, "if was.begins[:10] != now.begins[:10]:", "if False:", READINESS),
    Deletion("ready: people for these days", FIT, "if was.ends[:10] != now.ends[:10]:", "if False:", READINESS),
    Deletion("ready: people who were asked", FIT, "if set(now.people) - set(was.people):", "if False:", READINESS),
    Deletion("ready: items of the service", ITEMS, "and not still_open(plan, service) and", "and", READINESS),
    Deletion("ready: never when dropped", ITEMS, "return not plan.dropped and", "return", READINESS),
    Deletion("ready: two people", "app/domain/readiness.py", "return lead.by.id != officer.by.id", "return True", READINESS),
    Deletion("ready: a change leaves it void", "app/domain/readiness.py", "if signed.entry == self.newest", "if signed.entry", READY_LAW),
    Deletion("ready: a mask has a rule set", SUMS, "if mask != NO_MASK and not rules:", "if False:", READINESS),
    Deletion("ready: a mask that will do", SUMS, "if expected > most:", "if False:", READINESS),
    Deletion("ready: a permit for the day", SUMS, "if until < setting.begins:", "if False:", READINESS),
    Deletion("ready: hazards of a confined space", SUMS, "if left := [text for", "if False and [text for", READINESS),
    Deletion("ready: an entry permit", SUMS, 'if "entry" not in given:', "if False:", READINESS),
    Deletion("ready: decontaminated before the end", SUMS, "if on > setting.ends:", "if False:", READINESS),
    Deletion("store: a number once", STORING, "if name in store.lots:", "if False:", STORE_ROOM),
    Deletion("store: a serial number once", STORING, "if other is not None and other.lot.id != lot.id:", "if False:", STORE_ROOM),
    Deletion("store: accepted as asked", STORING, "if odd := next((item for item in findings if not item.as_asked), None):", "if odd := None:", STORE_D),
    Deletion("store: accepted in its time", STORING, "if told := why_not(_as_if_accepted(standing), on=moment.today, life_years=life_of(standing.lot, lives)):", 'if told := "":', STORE_D),
    Deletion("store: accepted again by a lead", STORING, "if standing.verdict in BARRED and (", "if False and (", STORE_D),
    Deletion("store: every item looked at", STORING, "if answer not in {item.good, item.bad}:", "if False:", STORE_D),
    Deletion("store: the same count", STORING, "if count == standing.left:", "if False:", STORE_D),
    Deletion("store: a filter is one", STORING, "if standing.lot.kind is Kind.FILTER and count > 1", "if False and count > 1", STORE_ROOM),
    Deletion("store: corrected as entered", STORING, "if not changed:", "if False:", STORE_D),
    Deletion("store: what is used keeps its label", STORING, 'if standing.used and (changed.keys() != {"place"} or', "if False and (True or", STORE_D),
    Deletion("store: nothing left to be kept", STORING, " or not (standing.left or standing.staged)):", "):", STORE_D),
    Deletion("store: inspected again when corrected", "app/domain/store.py", 'if found.verdict not in BARRED and now.keys() != {"place"}:', "if False:", STORE_D),
    Deletion("store: barred when corrected", "app/domain/store.py", 'if found.verdict not in BARRED and now.keys() != {"place"}:', 'if now.keys() != {"place"}:', STORE_D),
    Deletion("store: the wrong number is free", "app/domain/store.py", "if store.serials.get(old) == event.lot:", "if False:", STORE_D),
    Deletion("store: the same lead time", STORING, "if now == known:", "if False:", STORE_D),
    Deletion("store: staged only if fit", STORING, "        if told := why_not(standing, on=day, life_years=life_of(standing.lot, lives)):\n            raise Invalid(told)\n        if line", '        if told := "":\n            raise Invalid(told)\n        if line', STORE_ROOM),
    Deletion("store: staged for its day", STORING, "day = max(on or moment.today, moment.today)", "day = moment.today", STORE_D),
    Deletion("store: staged only if there", STORING, "if line.count > standing.left:", "if False:", STORE_ROOM),
    Deletion("store: a kit to settle", STORING, "if job not in store.kits:", "if False:", STORE_ROOM),
    Deletion("store: settled as shown", STORING, "if stray or kit - back.keys():", "if False:", STORE_D),
    Deletion("store: settled once", STORING, "if job in store.settled:\n        raise", "if False:\n        raise", STORE_D),
    Deletion("store: no more back than out", STORING, "if count > staged:", "if False:", STORE_D),
    Deletion("store: what differs is explained", STORING, "        if odd:\n            raise", "        if False:\n            raise", STORE_D),
    Deletion("store: a job that goes on", STORING, "        if not finished:\n            raise", "        if False:\n            raise", STORE_D),
    Deletion("filter: read elsewhere in the job", FITTING, "if place := (self.elsewhere or {}).get(plain_serial(serial)):", 'if place := "":', FITTING_D),
    Deletion("filter: unknown", FITTING, "        if standing is None:\n            return f", '        if standing is None:\n            return ""\n        if False:\n            return f', FITTING_D),
    Deletion("filter: its type", FITTING, "if self.filter_type and plain_what(standing.lot.what) != plain_what(self.filter_type):", "if False:", FITTING_D),
    Deletion("filter: in place elsewhere", FITTING, "if where is None or where == self.here:", "if where is not None:", FITTING_D),
    Deletion("filter: in place, without a store room", FITTING, 'return Judged(ask=SERIAL, verdict="outside", basis=REGISTER, why=told) if told else None', "return None", FITTING_D),
    Deletion("filter: what is drawn out stays out", FILTERS, "return None if drawn and now is not None and now.since <= state.opened.at else (tag, spot)", "return (tag, spot)", FITTING_D),
    Deletion("in place: not in the store room", "app/domain/housing_entry.py", "if found is not None and (lot := in_store_room(state.store, found.serial)):", 'if lot := "":', "tests/domain/test_surveying.py"),
    Deletion("in place: a table against the store room", "app/records/register_check.py", "    faults += _in_store_room(fillings, store)\n", "", "tests/records/test_register_csv.py"),
    Deletion("in place: a job against the store room", "app/domain/filling.py", "elif lot := in_store_room(store, found.serial):", 'elif lot := "":', "tests/domain/test_filling.py"),
    Deletion("filter: there for the job", FITTING, "if not standing.used.get(self.job) and not standing.there_for(self.job):", "if False:", STORE_ROOM),
    Deletion("filter: accepted and young", FITTING, "return why_not(standing, on=on, life_years=self.life_years)", 'return ""', STORE_ROOM),
    Deletion("filter: refused at the screen", "app/domain/judging.py", "if judged is not None and judged.why and setting.fitness and setting.fitness.refuses:", "if False:", FITTING_D),
    Deletion("filter: kept when late", LATE, "replace(noted(moment, known, command.seen), kept=True)", "noted(moment, known, command.seen)", FITTING_D),
    Deletion("filter: kept from paper", PAPER, "local_time=happened, kept=True, paper=printed)", "local_time=happened, paper=printed)", FITTING_D),
    Deletion("filter: kept when corrected", WORK, "replace(moment, kept=True), corrected=True)", "moment, corrected=True)", FITTING_D),
    Deletion("filter: not judged anew", WORK, "replace(moment, kept=True), corrected=True)", "replace(moment, kept=True))", FITTING_D),
    Deletion("filter: goes where it is read", FILTERS, "if not lot and not instead:", "if True:", STORE_ROOM),
    Deletion("filter: back to be inspected", "app/domain/store.py", 'replace(found, verdict="not inspected", reason="")', "found", FITTING_D),
    Deletion("filter: no rehearsal", FILTERS, "if state.opened is None or state.opened.rehearsal or not reads_filter(step):", "if state.opened is None or not reads_filter(step):", FITTING_D),
    Deletion("unfit: barred since it was read", FILTERS, "if found is not None and (told := why_not(found, on=moment.on, life_years=life)):", "if False and (told := ''):", FITTING_D),
    Deletion("unfit: nothing else in the kit", FILTERS, "if faults and all(faults):", "if False:", FITTING_D),
    Deletion("unfit: only where nothing would do", FILTERS, "if faults and all(faults):", "if any(faults):", FITTING_D),
    Deletion("unfit: any barrier at a bare port", FILTERS, " or bare_ports(state.model):", ":", FITTING_D),
    Deletion("unfit: what was done is kept", FILTERS, "if moment.kept or state.opened is None or", "if state.opened is None or", FITTING_D),
    Deletion("unfit: before a step begins", WORK, '    complain_of_unfit(state, step, moment)\n    second = _second(state, step, command, moment, "begin")', '    second = _second(state, step, command, moment, "begin")', FITTING_D),
    Deletion("unfit: before its one mark", WORK, "    if step.marks == 1:\n        complain_of_unfit(state, step, moment)\n", "", FITTING_D),
    Deletion("unfit: barred after staging", FILTERS, "    yield from _barred_since(store, job)\n", "", FITTING_D),
    Deletion("unfit: run out when it went in", FILTERS, "yield from late or _run_out(found, state, step, numbers[step.id])", "yield from late", FITTING_D),
    Deletion("unfit: asked when settled", STORING, "        if unfit:\n            raise", "        if False:\n            raise", STORE_D),
    Deletion("no kit: told to the reviewer", "app/services/jobs.py", "NO_KIT: without_kit(site.store, job, state)", 'NO_KIT: ""', "tests/web/test_kits.py"),
    Deletion("no kit: once the work is done", FILTERS, "state.opened.rehearsal or state.due is not None:", "state.opened.rehearsal:", "tests/web/test_kits.py"),
    Deletion("kit not settled", FILTERS, "if store.is_open(job):", "if False:", FITTING_D),
    Deletion("in review", REVIEWING, "if state.stage is not Stage.IN_REVIEW:", "if False:", JOB),
]  # fmt: skip


def deleted(text: str, guard: Deletion) -> str:
    """Return the file's text without the guard."""
    place = text.find(guard.old, guard.place)
    if place < 0:
        raise SystemExit(f"The guard {guard.name!r} is not where the list says ({guard.file}). Correct the list.")
    return text[:place] + guard.new + text[place + len(guard.old) :]


class Copy:
    """A copy of the tree, made once, in which guards are deleted one after the other.

    Its modules are compiled beforehand and nothing is compiled into it later, so that no run sees a byte of another.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("app", "tests", "seed_data", "templates", "static"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", "*.otf", "*.ttf"))
        shutil.copy(ROOT / "pyproject.toml", folder)
        compile_dir(folder, quiet=2, workers=CHECKED_TOGETHER)

    def noticed(self, guard: Deletion) -> tuple[str, str]:
        """Delete one guard; return which test failed, or nothing, and the end of what was told."""
        target = self.folder / guard.file
        stood, was = target.read_text("utf-8"), target.stat()
        target.write_text(deleted(stood, guard), "utf-8")
        try:
            known = KNOWN.get(guard.name)
            if known and (found := _failed(_run(self.folder, f"{guard.law}::{known}"))):
                return found, ""
            done = _run(self.folder, guard.law)
            return _failed(done), (done.stdout + done.stderr)[-600:]
        finally:
            target.write_text(stood, "utf-8")
            os.utime(target, ns=(was.st_atime_ns, was.st_mtime_ns))


def _failed(done: subprocess.CompletedProcess[str]) -> str:
    """Return the name of the test that failed, without its parameters; nothing if none did or it could not be run."""
    told = re.search(r"^FAILED \S+?\.py::([\w:]+)", done.stdout, re.MULTILINE)
    broken = "SyntaxError" in done.stdout or "ImportError" in done.stdout
    return told.group(1) if told and done.returncode == 1 and not broken else ""


def _run(tree: Path, *laws: str) -> subprocess.CompletedProcess[str]:
    """Run laws in a tree.  The first failure will do: none is made smaller, and none is explained."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", *PLAIN, *laws]
    first = {"CHANGEOUT_LAWS": "first", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run(command, cwd=tree, env={**os.environ, **first}, capture_output=True, text=True, check=False)


def _in_a_copy(copies: "SimpleQueue[Copy]", until: float, guard: Deletion) -> tuple[str, str] | None:
    """Return what came of deleting a guard, or None where the time has run out."""
    if monotonic() > until:
        return None
    copy = copies.get()
    try:
        return copy.noticed(guard)
    finally:
        copies.put(copy)


def main() -> int:
    """Delete every guard in turn, or as many as there is time for; return 0 if each was noticed."""
    parser = argparse.ArgumentParser(prog="python -m tests.guards", description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("words", nargs="*", help="only guards whose name holds one of these")
    parser.add_argument("--remember", action="store_true", help="write down which test noticed which guard")
    parser.add_argument("--minutes", type=float, default=inf, help="for so long, in another order every day")
    asked = parser.parse_args()
    known = [*containment_guards(), *JOB_GUARDS]
    guards = [g for g in known if not asked.words or any(word in g.name for word in asked.words)]
    if asked.minutes < inf:
        Random(datetime.now(tz=UTC).toordinal()).shuffle(guards)
    for guard in known:
        deleted((ROOT / guard.file).read_text("utf-8"), guard)  # ends here, and not after minutes, if one has moved
    planned = _run(ROOT, *sorted({guard.law for guard in guards}), "--setup-plan")
    if planned.returncode:  # a law that cannot even be set up would seem to notice all
        print(f"Some law cannot be run as it is here:\n{planned.stdout[-600:]}{planned.stderr[-600:]}")
        return 1
    missed: list[str] = []
    by: dict[str, str] = {}
    until = monotonic() + 60 * asked.minutes
    with ExitStack() as until_the_end, ThreadPoolExecutor(CHECKED_TOGETHER) as pool:
        copies = SimpleQueue[Copy]()
        for _ in range(CHECKED_TOGETHER):
            copies.put(Copy(Path(until_the_end.enter_context(tempfile.TemporaryDirectory()))))
        for guard, came in zip(guards, pool.map(partial(_in_a_copy, copies, until), guards), strict=True):
            if came is None:
                continue
            failed, told = came
            print(f"noticed  {guard.name}, by {failed}" if failed else f"MISSED   {guard.name}", flush=True)
            if failed:
                by[guard.name] = failed
            else:
                missed.append(guard.name)
                print(told)
    if asked.remember:
        names = {guard.name for guard in known}
        kept = {name: test for name, test in (KNOWN | by).items() if name in names}
        NOTICED_BY.write_text(json.dumps(dict(sorted(kept.items())), indent=1, ensure_ascii=False) + "\n", "utf-8")
    left = len(guards) - len(by) - len(missed)
    print(f"{len(by)} of {len(by) + len(missed)} deleted guards were noticed by a law; {left} not tried in this time.")
    return 1 if missed or not by else 0


if __name__ == "__main__":
    sys.exit(main())
