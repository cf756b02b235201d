"""Photos of a housing on its page: put on by whoever works here, taken down by a keeper, part of every backup."""

import pytest
from httpx2 import Response

from app.storage.backup import make_backup
from app.storage.faults import StorageFault
from app.storage.photos import photo_path
from tests.storage.pictures import jpeg
from tests.web.desk import Desk
from tests.web.forms import forms_of
from tests.web.test_every_form import sentence_on

PHOTOS = "/housings/EF-03/photos"


def put_on(desk: Desk, shows: str = "access from the gallery", picture: bytes = jpeg(64, 48), **more: str) -> Response:
    """Send a photo from the page of EF-03."""
    files = {"photo": ("view.jpg", picture)} if picture else {"photo": ("", b"")}
    data = {"token": f"{len(shows):032}", "shows": shows, **more}
    return desk.client(desk.named("technician")).post(PHOTOS, data=data, files=files)


def test_a_photo_stands_on_the_page_with_its_words_until_it_is_taken_down(desk: Desk) -> None:
    """Whoever put it there and when stands under it; the photo stays kept."""
    hands, lead = desk.named("technician"), desk.named("lead")
    assert "No photo is on the register" in desk.get(hands, "/housings/EF-03").text

    assert (put_on(desk).status_code, put_on(desk, "port P1", jpeg(32, 32)).status_code) == (303, 303)
    page = desk.get(hands, "/housings/EF-03").text
    pictures = desk.running.site.jobs.site().housed.pictures["EF-03"]
    assert page.index("port P1") < page.index("access from the gallery"), "the newest first"
    assert f'<img class="thumb" src="/photos/{pictures[0].photo}" alt="access from the gallery"' in page
    assert hands.name in page
    assert desk.get(hands, f"/photos/{pictures[0].photo}").status_code == 200
    assert "Take a photo down" not in page, "a technician does not"

    entry = str(pictures[0].seq)
    forms = [form for form in forms_of(desk.get(lead, "/housings/EF-03").text) if form.action.endswith("/photos/down")]
    assert len(forms) == 1
    none = desk.post(lead, f"{PHOTOS}/down", entry=entry, reason="")
    assert (none.status_code, "Why the photo is taken down: 0 characters" in none.text) == (422, True)
    assert f'<option value="{entry}" selected' in none.text, "what was chosen is still chosen"
    assert desk.post(lead, f"{PHOTOS}/down", entry=entry, reason="the gallery was rebuilt").status_code == 303
    assert [item.shows for item in desk.running.site.jobs.site().housed.pictures["EF-03"]] == ["port P1"]
    assert desk.get(hands, f"/photos/{pictures[0].photo}").status_code == 200
    again = desk.post(lead, f"{PHOTOS}/down", entry=entry, reason="the gallery was rebuilt")
    assert (again.status_code, "no such photo" in sentence_on(again.text)) == (422, True)


def test_a_refused_photo_is_not_taken_twice(desk: Desk) -> None:
    """The form keeps it; one that was never sent cannot be named."""
    refused = put_on(desk, "x")
    kept = next(form for form in forms_of(refused.text) if form.action.endswith("/photos")).fields["photo_kept"]

    assert refused.status_code == 422
    assert "1 characters were given" in refused.text
    assert put_on(desk, "the ring of P1", b"", photo_kept=kept).status_code == 303
    no_picture = put_on(desk, "the fan from below", b"no picture")
    assert (no_picture.status_code, "not a whole JPEG" in sentence_on(no_picture.text)) == (422, True)
    assert 'value="the fan from below"' in no_picture.text
    for odd in ("ab" * 32, "../../etc/passwd"):
        assert put_on(desk, "the ring", b"", photo_kept=odd).status_code == 422
    assert put_on(desk, "the ring", b"").status_code == 422
    assert [item.photo for item in desk.running.site.jobs.site().housed.pictures["EF-03"]] == [kept]


def test_a_backup_holds_the_photos_of_the_register_and_misses_one_that_is_gone(
    desk: Desk, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """As with those of surveys."""
    put_on(desk)
    (picture,) = desk.running.site.jobs.site().housed.pictures["EF-03"]
    data, clock, beside = desk.running.site.settings.data, desk.running.site.clock, tmp_path_factory.mktemp("copies")
    assert make_backup(data, beside / "whole", with_keys=False, program="test", clock=clock).photos == 1

    (data / photo_path(picture.photo)).unlink()
    with pytest.raises(StorageFault, match=f"photo {picture.photo[:12]} is named by an entry and is not there"):
        make_backup(data, beside / "half", with_keys=False, program="test", clock=clock)
