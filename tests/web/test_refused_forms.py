"""A refused form gives back what was typed on it, never the secret, and can be sent again once mended."""

from app.domain.commands import Begin, ExplainStop, Finish, Late, StopWork
from app.domain.crew import Acknowledge, Part
from app.domain.steps import Step
from app.services.rehearsal import commands_for
from tests.web.desk import MOST_ENTRIES, SECRETS, Desk

ANSWER = "The band tool was replaced; the crew looked at the ring & found it “whole”."


def test_a_refused_reopening_keeps_the_answer_and_goes_through_with_the_right_secret(desk: Desk) -> None:
    """The written answer to a stop survives a wrong secret; sent again with the right one it re-opens the job."""
    job, lead = desk.open_job(), desk.named("lead")
    desk.work_until(job, "Agree")
    desk.do(job, StopWork(), desk.named("technician"))
    desk.do(job, ExplainStop("unexpected", "a sound in the duct"), desk.named("technician"))

    refused = desk.post(lead, f"/jobs/{job}/reopen", answer=ANSWER, extra="", secret="not the one", person=lead.id)
    again = desk.post(lead, f"/jobs/{job}/reopen", answer=ANSWER, extra="", secret=SECRETS[lead.name], person=lead.id)

    assert refused.status_code == 403
    assert "The band tool was replaced; the crew looked at the ring &amp; found it “whole”." in refused.text
    assert "not the one" not in refused.text
    assert 'name="secret"' in refused.text
    assert again.status_code == 303
    assert desk.running.site.jobs.state(job).stop is None


def test_a_refused_correction_names_the_answer_it_was_for(desk: Desk) -> None:
    """Every field of the form comes back, those that no person types as well."""
    job, hands = desk.open_job(), desk.named("technician")

    refused = desk.post(
        hands, f"/jobs/{job}/corrections", step="no/such/step", ask="torque", now="12", reason="misread", device_at=""
    )

    assert refused.status_code in {409, 422}
    for held in ('name="step" value="no/such/step"', 'name="ask" value="torque"', ">12</textarea>", ">misread</"):
        assert held in refused.text


def test_the_second_entry_of_a_corrected_number_is_never_filled_from_the_first(desk: Desk) -> None:
    """Its field is empty, on the form as on the page of a refusal; only what is typed there agrees with the first."""
    job, hands = desk.open_job(), desk.named("technician")
    state = desk.work_until(job, "Release the return")
    number = next(place for place, step in enumerate(state.steps, start=1) if step.id == "test/hepa/leak/aerosol")
    typed = {"step": state.steps[number - 1].id, "ask": "downstream", "reason": "misread"}
    eyes = desk.named("technician", 1)
    beside = {"second": eyes.id, "second_secret": SECRETS[eyes.name]}

    form = desk.get(hands, f"/jobs/{job}/steps/{number}/change").text
    bare = desk.post(hands, f"/jobs/{job}/corrections", now="0.0091", **typed, **beside)
    differs = desk.post(hands, f"/jobs/{job}/corrections", now="0.0091", again="0.0019", **typed, **beside)
    done = desk.post(hands, f"/jobs/{job}/corrections", now="0.0091", again="0.00910", **typed, **beside)

    assert 'name="again" maxlength="500" autocomplete="off">' in form
    assert "only for: Downstream, generator off; Upstream, before; Downstream)" in form
    assert form.count(" data-twice") == 3
    assert (bare.status_code, differs.status_code, done.status_code) == (422, 409, 303)
    assert "0.0019" not in differs.text
    assert "0.0091" not in differs.text
    assert ">misread</textarea>" in differs.text
    assert desk.running.site.jobs.state(job).mark(typed["step"]).evidence.answers["downstream"].text == "0.0091"


def test_a_step_due_again_is_named_by_its_number_to_the_reviewer(desk: Desk) -> None:
    """Internal names of steps never reach the reviewer's page or the printed report."""
    job, hands = desk.open_job(), desk.named("technician")
    state = desk.work_until(job, "no such words")
    leaned_on, ask = next(
        (step, asked.ask.id)
        for step in state.steps
        for asked in step.asks
        if step.relied_on_by and asked.ask.kind == "text"
    )

    sent = desk.post(hands, f"/jobs/{job}/corrections", step=leaned_on.id, ask=ask, now="X-17", reason="misread")
    page = desk.get(desk.named("safety officer"), f"/jobs/{job}/review").text

    assert sent.status_code == 303
    assert f"answer corrected at step {state.index[leaned_on.id] + 1}" in page
    assert leaned_on.id not in page


def test_a_refused_note_comes_back_with_its_words(desk: Desk) -> None:
    """A note that is too long is given back whole, to be made shorter."""
    job, hands = desk.open_job(), desk.named("technician")
    words = "The duct hums. " * 40

    refused = desk.post(hands, f"/jobs/{job}/log", text=words, device_at="")

    assert refused.status_code == 409
    assert words.strip() in refused.text


def at_a_reading(desk: Desk) -> tuple[str, Step]:
    """Return a job whose step in hand asks a reading, begun where that is a mark of its own."""
    job = desk.open_job()
    step = desk.work_until(job, "Twist the bag into").due
    assert step is not None
    if step.marks == 2:
        desk.do(job, Begin(step.id), desk.named("technician"))
    return job, step


def test_a_photo_that_cannot_be_kept_leaves_the_reading_on_the_panel(desk: Desk) -> None:
    """The file is refused with its sentence; the number and the note typed beside it are still there."""
    job, step = at_a_reading(desk)
    hands = desk.named("technician")
    fields = {"act": "finish", "step": step.id, "a.length": "123", "note": "stiff bag", "token": "a-bad-photo-00000001"}

    refused = desk.client(hands).post(f"/jobs/{job}/marks", data=fields, files={"a.view": ("a.jpg", b"no picture")})

    assert refused.status_code == 422
    for shown in ("The file is not a whole JPEG", 'value="123"', "stiff bag"):
        assert shown in refused.text, shown
    assert desk.running.site.jobs.state(job).due == step


def test_the_same_reading_sent_twice_is_one_attempt(desk: Desk) -> None:
    """A double tap, or a form sent again: one token is one attempt, and one line on the page."""
    job, step = at_a_reading(desk)
    hands = desk.named("technician")
    fields = {"act": "finish", "step": step.id, "a.length": "420", "device_at": "", "token": "double-tap-0000000001"}

    sent = [desk.client(hands).post(f"/jobs/{job}/marks", data=fields).status_code for _ in range(2)]
    desk.go_on(job)
    page = desk.get(hands, f"/jobs/{job}/now").text

    assert sent == [303, 303]
    assert len(desk.running.site.jobs.state(job).mark(step.id).attempts) == 1
    assert page.count("Attempt ") == 1


def test_a_hold_says_who_may_not_release_it_and_why(desk: Desk) -> None:
    """A lead who worked on the job is missing from the list, and the reason stands under it."""
    job, lead = desk.open_job(), desk.named("lead")
    state = desk.do(job, Acknowledge("work", "I gather the neck and watch the strap."), lead)
    while (due := state.due) is not None and state.size < MOST_ENTRIES:
        if due.kind == "hold" and due.role == "lead" and lead.id in state.performers:
            break
        for command, by in commands_for(state, desk.cast()):
            state = desk.do(job, command, lead if by == desk.named("technician") else by)

    page = desk.get(lead, f"/jobs/{job}/now").text

    assert f"Not among them: {lead.name} has worked on this job" in page


def test_a_hold_that_no_lead_may_release_yet_says_who_would_have_to_read_the_brief(desk: Desk) -> None:
    """Both leads are there and neither has read it: nobody is to be added to the site for that."""
    job, hands = desk.open_job(), desk.named("technician")
    desk.do(job, StopWork(), hands)
    stopped = [desk.get(who, f"/jobs/{job}/now").text for who in (hands, desk.named("lead"))]
    desk.do(job, ExplainStop("unexpected", "a sound"), hands)
    waiting = desk.get(hands, f"/jobs/{job}/now").text
    desk.go_on(job)
    state = desk.running.site.jobs.state(job)
    while (due := state.due) is not None and not (due.kind == "hold" and due.role == "lead"):
        for command, by in commands_for(state, desk.cast()):
            state = desk.do(job, command, by)

    page = desk.get(hands, f"/jobs/{job}/now").text

    leads = ", ".join(desk.named("lead", place).name for place in range(2))
    assert f"No lead may sign here yet: {leads} would have to read the brief, or another is called." in page
    assert "An administrator adds" not in page
    assert all("re-opens the job" not in text for text in stopped)
    assert ">A lead re-opens the job.<" in waiting


def test_a_refused_change_comes_back_with_every_word_and_limit(desk: Desk) -> None:
    """A limit that is no number is mended where it was typed; the other words are still there."""
    job, hands = desk.open_job(), desk.named("technician")
    step = desk.work_until(job, "Twist the bag into").due
    assert step is not None
    typed = {"text": "Twist the bag twice.", "note": "By hand.", "reason": "the neck is short", "low.length": "wide"}

    refused = desk.post(hands, f"/jobs/{job}/changes", step=step.id, **typed)

    assert refused.status_code == 422
    for held in ("Twist the bag twice.</textarea>", "By hand.</textarea>", 'value="the neck is short"', 'value="wide"'):
        assert held in refused.text


def test_a_refused_release_by_radio_comes_back_with_sender_and_tags(desk: Desk) -> None:
    """The tag of a neighbour is refused; who spoke, and what was repeated, are still there."""
    job, lead, sender = desk.open_job(), desk.named("lead"), desk.named("lead", 1)
    step = desk.work_until(job, "Release the closing").due
    assert step is not None
    desk.do(job, Acknowledge(Part.RELEASE, "I release the closing once the bag is rolled."), sender)

    refused = desk.post(
        lead, f"/jobs/{job}/radio", step=step.id, person=sender.id, housing="EF-04", port="P1", confirmed="yes"
    )

    assert refused.status_code == 409
    for held in (f'<option value="{sender.id}" selected>', 'value="EF-04"', 'value="P1"', 'value="yes" checked'):
        assert held in refused.text


def test_a_refused_way_out_comes_back_with_its_reason(desk: Desk) -> None:
    """A reason that is too long is given back whole, in a form that stands open."""
    job, hands, lead = desk.open_job(), desk.named("technician"), desk.named("lead", 1)
    desk.work_until(job, "Test the HEPA bank")
    desk.answer(job, hands, downstream="0.9")
    way = desk.go_on(job).way_out
    assert way is not None
    words = "The seal mark is uneven. " * 40

    refused = desk.post(lead, f"/jobs/{job}/way-out", way_out=way.id, reason=words)

    assert refused.status_code in {409, 422}
    assert f'value="{words}"' in refused.text


def test_a_refused_settlement_comes_back_with_what_was_seen(desk: Desk) -> None:
    """What holds, which accounts are settled and why stay as they were chosen."""
    job, hands, lead = desk.open_job(), desk.named("technician"), desk.named("lead", 1)
    state = desk.work_until(job, "Twist the bag into")
    assert state.due is not None
    desk.do(job, Finish(state.due.id, {"length": "200"}), desk.named("technician", 1))
    (account,) = desk.do(job, Late(Finish(state.due.id, {"length": "210"}), state.size), hands).contests
    words = "Measured again: 200 mm. " * 40

    refused = desk.post(lead, f"/jobs/{job}/contests", **{f"entry.{account.seq}": "on", "holds": "no", "reason": words})

    assert refused.status_code in {409, 422}
    assert f"{words}</textarea>" in refused.text
    assert 'name="holds" value="no" checked' in refused.text


def test_refused_forms_of_the_site_come_back_with_what_was_typed(desk: Desk) -> None:
    """Settings, access, people, procedures and the plan of a job show the sentence and the form as it was sent."""
    lead, admin, hands = desk.named("lead"), desk.named("administrator"), desk.named("technician")
    desk.open_job()
    desk.stranger().post("/signin", data={"person": hands.id, "secret": "not the one", "tablet": "tablet 9"})
    odd = "glare\u202e"
    sent = {
        "value": desk.post(lead, "/site", setting="idle_lock_min", value="99", reason="thick gloves"),
        "remark": desk.post(lead, "/access", remark="two have left", secret="not the one"),
        "wait": desk.post(lead, f"/people/{hands.id}/wait", reason=odd, whose=hands.id),
        "add": desk.post(admin, "/people", name=odd, role="technician", identity="site pass seen"),
        "role": desk.post(admin, "/people/role", person=hands.id, role="lead", reason=odd),
        "issue": desk.post(lead, "/procedures/issue", procedure="nothing", housing="EF-07", secret="not the one"),
        "plan": desk.post(lead, "/plan/EF-03", procedure="change-out", **{f"crew.{hands.id}": "on", "depth.P1": "1"}),
    }

    held = {
        "value": ('value="99"', 'value="thick gloves"'), "remark": ('value="two have left"',),
        "wait": (f'value="{odd}"',), "add": (f'value="{odd}"', 'value="technician" checked'),
        "role": (f'value="{odd}"', f'value="{hands.id}" selected', 'value="lead" selected'),
        "issue": ("<h1>Procedures</h1>",), "plan": (f'name="crew.{hands.id}" value="on" checked',),
    }  # fmt: skip
    for name, answer in sent.items():
        assert 400 <= answer.status_code < 500, name
        assert 'class="told told-refused"' in answer.text, name
        assert "not the one" not in answer.text, name
        assert [text for text in held[name] if text not in answer.text] == [], name
