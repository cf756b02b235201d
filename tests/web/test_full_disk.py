"""On a full disk marks are refused in a sentence, while pages are read, work is stopped, people sign in and export."""

from sqlalchemy import select, text

from app.domain.job import Stage
from tests.storage.test_full_disk import Disk, PagesKeptBack
from tests.web.desk import SECRETS, Desk


def full(desk: Desk, job: str) -> Disk:
    """Leave no page but those kept back, and let a mark find that out."""
    store, hands = desk.running.store, desk.named("technician")
    disk = Disk(store._engine)
    store._ballast = PagesKeptBack(disk)
    disk.limit = int(store.read_rows(select(text("page_count FROM pragma_page_count")))[0][0])
    store._drop_connection()
    for _ in range(200):
        answer = desk.post(hands, f"/jobs/{job}/log", kind="remark", text="x" * 400)
        if answer.status_code != 303:
            assert "The disk is full" in answer.text
            return disk
    raise AssertionError("the disk never filled")


def test_pages_are_read_and_work_is_stopped_on_a_full_disk(desk: Desk) -> None:
    """What a refused mark made the store forget is read again, and STOP gets the room kept back."""
    job, other, hands = desk.open_job(), desk.open_job("EF-07"), desk.named("technician")
    full(desk, job)

    read = [desk.get(hands, path).status_code for path in ("/", f"/jobs/{job}/now", f"/jobs/{other}/now")]
    stopped = desk.post(hands, f"/jobs/{job}/stop")
    page = desk.get(hands, f"/jobs/{job}/now")

    assert read == [200, 200, 200]
    assert stopped.status_code == 303
    assert page.status_code == 200
    assert desk.running.site.jobs.state(job).stage is Stage.STOPPED


def test_people_sign_in_and_export_on_a_full_disk(desk: Desk) -> None:
    """Both write from the room kept back."""
    job, lead, client = desk.open_job(), desk.named("lead"), desk.stranger()
    desk.client(lead)
    full(desk, job)

    answer = client.post("/signin", data={"person": lead.id, "secret": SECRETS[lead.name], "tablet": "tablet 9"})
    record = desk.get(lead, f"/jobs/{job}/record.json")

    assert answer.status_code == 303
    assert record.status_code == 200


def test_somebody_signs_in_over_another_on_a_full_disk(desk: Desk) -> None:
    """The session that was there ends, and a wrong secret from before is forgiven, in the room kept back."""
    job, lead = desk.open_job(), desk.named("lead")
    client = desk.client(desk.named("technician", 1))
    form = {"person": lead.id, "secret": "not this one", "tablet": "tablet 3"}
    assert client.post("/signin", data=form).status_code == 403
    full(desk, job)

    answer = client.post("/signin", data=form | {"secret": SECRETS[lead.name]})

    assert answer.status_code == 303
    assert answer.cookies


def test_a_mark_on_a_full_disk_is_refused_on_the_panel(desk: Desk) -> None:
    """The sentence stands on the panel of the job, and with room again the same form is taken."""
    job, hands = desk.open_job(), desk.named("technician")
    disk = full(desk, job)

    refused = desk.post(hands, f"/jobs/{job}/stop-reason", reason="unexpected", text="no room")
    marked = desk.post(hands, f"/jobs/{job}/marks", act="finish", step="none")

    assert refused.status_code < 500
    assert "The disk is full" in marked.text
    assert "data-told" in marked.text
    disk.limit = 1_000_000
    assert desk.get(hands, f"/jobs/{job}/now").status_code == 200
