"""As-found surveys: looked over at the place, signed, what differs answered by a lead."""

import pytest

from app.domain.signing import SURVEYED
from app.domain.surveying import AS_ON_REGISTER, DIFFERS, UNSEEN, points_of
from app.services.planning import find_housing
from app.storage.backup import make_backup
from app.storage.faults import StorageFault
from app.storage.photos import photo_path
from tests.storage.pictures import jpeg
from tests.web.desk import SECRETS, Desk
from tests.web.forms import forms_of
from tests.web.test_every_form import sentence_on

TAKEN = "/housings/EF-03/survey"


def looked(desk: Desk, tag: str = "EF-03", **other: str) -> dict[str, str]:
    """Return the form of a survey in which everything is as the register has it, but for what is given."""
    points = points_of(find_housing(desk.running.site.library, tag), desk.running.site.jobs.site().housed)
    shown = {f"shown.{point.id}": point.register_has for point in points}
    return shown | {f"p.{point.id}": AS_ON_REGISTER for point in points if point.register_has} | other


def signed(desk: Desk, who, path: str = TAKEN, files=None, **fields: str):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN201
    """Send a survey with the secret of who is signed in."""
    whole = {"token": f"{len(fields):032}", "person": who.id, "secret": SECRETS[who.name], **fields}
    return desk.client(who).post(path, data=whole, files=files or {"photo.1": ("", b"")})


def move(desk: Desk) -> None:
    """Enter another place for EF-03."""
    lead = desk.named("lead")
    data = desk.get(lead, "/register.csv").content.replace(b"bay 2", b"bay 4")
    looked_at = desk.client(lead).post("/register/check", data={"kind": "csv"}, files={"file": ("x", data)}).text
    fields = forms_of(looked_at)[-1].fields | {"why": "as surveyed"}
    assert desk.post(lead, "/register/enter", **fields).status_code == 303


def test_a_survey_walks_over_all_label_data_and_what_differs_waits_for_a_lead(desk: Desk) -> None:
    """Signed by who is signed in; shown on the housing, when a job is planned, on the first page of a lead."""
    hands, lead = desk.named("technician"), desk.named("lead")
    form = desk.get(hands, TAKEN).text
    for words in ("Tag on the label: <b>EF-03</b>", "Upstream damper: <b>D-301</b>", "Fan: <b>fan F-31</b>",
                  "P1: number of filters in series: <b>2</b>", "P1: filter type: <b>24x24x11.5 gasket</b>",
                  "P1: ring size: the register has nothing", "P1: seal: <b>gasket</b>",
                  "Isolation point fan: fan: <b>F-31</b>", f"“{SURVEYED}”"):  # fmt: skip
        assert words in form, words

    photo = {"photo.1": ("view.jpg", jpeg(64, 48))}
    sent = signed(desk, hands, files=photo, **looked(
        desk, **{"p.upstream": DIFFERS, "f.upstream": "D-331", "p.location": UNSEEN, "f.ring.P1": "Ø 630 mm",
                 "f.serial.P1.1": "S-44", "made.serial.P1.1": "2024-02-01", "what.1": "Pressure against the room",
                 "value.1": "-45", "unit.1": "Pa", "what.2": "Paint", "value.2": "flaking", "note": "lamp is out"},
    ))  # fmt: skip
    assert (sent.status_code, sent.headers["location"]) == (303, "/housings/EF-03")

    (survey,) = desk.running.site.jobs.site().housed.surveys["EF-03"]
    assert (survey.by, survey.meaning, survey.proof) == (hands, SURVEYED, "id and secret entered at signing")
    assert [(item.what, item.value, item.unit) for item in survey.measured or ()] == [
        ("Pressure against the room", "-45", "Pa"), ("Paint", "flaking", None),
    ]  # fmt: skip
    page = desk.get(lead, "/housings/EF-03").text
    for words in ("Upstream damper: the register has “D-301”, found “D-331”", "found “Ø 630 mm”", "S-44",
                  "read in a survey by Noor Haddad", "Pressure against the room: -45 Pa", "lamp is out",
                  f'src="/photos/{(survey.photos or ("",))[0]}"'):  # fmt: skip
        assert words in page, words
    assert "Upstream damper: the register has “D-301”, found “D-331”" in desk.get(lead, "/plan/EF-03").text
    assert "2 differences from the housing register wait for a lead" in desk.get(lead, "/").text
    assert "wait for a lead" not in desk.get(hands, "/").text
    assert desk.running.site.jobs.site().housed.where("S-44") == ("EF-03", ("P1", 1))
    assert "EF-03 was surveyed, signed" in desk.get(lead, "/trail?kind=housings").text


def test_a_difference_is_answered_and_changed_only_when_it_was(desk: Desk) -> None:
    """“Register changed” is refused while it has what it had; either answer takes a reason, and once."""
    hands, lead = desk.named("technician"), desk.named("lead")
    signed(desk, hands, **looked(desk, **{"p.location": DIFFERS, "f.location": "Roof, bay 4", "p.tag": DIFFERS,
                                          "f.tag": "EF-3"}))  # fmt: skip
    entry = str(desk.running.site.jobs.site().housed.surveys["EF-03"][0].seq)

    def answered(point: str, outcome: str, reason: str = "looked myself") -> tuple[int, str]:
        answer = desk.post(lead, "/surveys", entry=entry, point=point, outcome=outcome, reason=reason)
        return answer.status_code, answer.text

    assert (
        desk.post(hands, "/surveys", entry=entry, point="tag", outcome="register right", reason="x").status_code == 403
    )
    for given, words in (
        (("location", "register changed"), "Place: the register still has “Roof plant room, bay 2”"),
        (("location", "perhaps"), "Choose whether the register was changed or is right"),
        (("location", "register right", " "), "Reason: 0 characters were given"),
        (("fan", "register right"), "This difference is not open any more"),
    ):
        status, text = answered(*given)
        assert status == 422
        assert words in text

    assert "No page changes a tag" in desk.get(lead, "/surveys").text
    move(desk)
    assert answered("location", "register changed")[0] == 303
    assert answered("location", "register changed")[0] == 422
    assert answered("tag", "register right", "the label is worn")[0] == 303
    assert "Nothing waits for an answer" in desk.get(lead, "/surveys").text
    assert "Found otherwise" not in desk.get(lead, "/housings/EF-03").text
    assert "was answered, register right: the label is worn" in desk.get(lead, "/trail?kind=housings").text


def test_a_survey_that_is_refused_comes_back_whole(desk: Desk) -> None:
    """One sentence each, nothing written; choices, words and the photo that was taken are still there."""
    hands = desk.named("technician")
    before = desk.running.site.jobs.site().size
    desk.post(desk.named("lead"), "/housings/EF-07/filters", spot="P1/1", serial="S-9", why="read")
    without = {name: text for name, text in looked(desk).items() if name != "p.fan"}
    cases = (
        (without, "Fan: nothing was chosen. Choose one of the three answers."),
        (looked(desk, **{"p.fan": DIFFERS}), "Fan: “differs” was chosen, and “What is there instead” is empty"),
        (looked(desk, **{"f.fan": "F-33"}), "Fan: “F-33” was written and “as on the register” chosen"),
        (looked(desk, **{"p.fan": DIFFERS, "f.fan": "fan F-31"}), "Fan: “fan F-31” is what the register has"),
        (looked(desk, **{"p.fan": "perhaps"}), "Fan: nothing was chosen"),
        (looked(desk, **{"what.1": "Pressure"}), "Measured, line 1: give what was measured and what was found"),
        (looked(desk, **{"what.1": "Pressure", "value.1": "low", "unit.1": "Pa"}),
         "Pressure 'low' cannot be read as a number"),
        (looked(desk, **{"f.serial.P1.1": "s - 9"}),
         "Serial number at P1, position 1: s - 9 is in place at EF-07, P1 position 1 by the register"),
        (looked(desk, **{"f.serial.P1.1": "S-9"}), "S-9 is in place at EF-07, P1 position 1 by the register"),
        (looked(desk, **{"f.serial.P1.1": "A", "f.serial.P1.2": "a"}), "One serial number was read at two positions"),
        (looked(desk, **{"f.serial.P1.1": "A", "made.serial.P1.1": "soon"}), "Maker's date: 'soon' is not a date"),
        (looked(desk, note="x" * 201), "Note: 201 characters were given"),
        (looked(desk, secret="not mine"), "That name and secret do not belong together"),
    )  # fmt: skip
    for fields, words in cases:
        refused = signed(desk, hands, files={"photo.2": ("view.jpg", jpeg(64, 48))}, **fields)
        text = refused.text
        assert refused.status_code in (403, 422), words
        assert words in sentence_on(text), words
        assert "Photo 2, taken" in text
        assert 'name="photo-kept.2" value="' in text
        assert 'value="as on the register" checked' in text
    assert desk.running.site.jobs.site().size - before <= 2


@pytest.mark.parametrize(
    ("data", "told"),
    [(b"no picture", "The file is not a whole JPEG"), (b"\xff\xd8" + bytes(12_000_000), "at most 12 MB are kept")],
)
def test_a_photo_that_cannot_be_kept_loses_nothing_of_a_survey(desk: Desk, data: bytes, told: str) -> None:
    """Sixty answers are not typed anew for a file that was no picture; the other photo is kept."""
    hands = desk.named("technician")
    survey = looked(desk, **{"p.fan": DIFFERS, "f.fan": "F-33", "note": "lamp out", "what.1": "Door", "value.1": "dry"})

    refused = signed(desk, hands, files={"photo.1": ("a.heic", data), "photo.2": ("b.jpg", jpeg(64, 48))}, **survey)

    assert refused.status_code == 422
    assert told in sentence_on(refused.text)
    for kept in ('value="F-33"', ">lamp out</textarea>", 'value="Door"', "Photo 2, taken", 'value="differs" checked'):
        assert kept in refused.text, kept
    assert "Photo 1, taken" not in refused.text
    assert dict(desk.running.site.jobs.site().housed.surveys) == {}


def test_a_survey_is_not_signed_for_values_that_were_not_shown(desk: Desk) -> None:
    """Nothing typed is lost; what changed is asked anew with what the register has now, and is then signed."""
    hands = desk.named("technician")
    shown = forms_of(desk.get(hands, TAKEN).text)[-1].fields
    assert shown["shown.location"] == "Roof plant room, bay 2"
    survey = looked(desk, **{"p.upstream": DIFFERS, "f.upstream": "D-331", "f.serial.P1.1": "S-44"})
    move(desk)

    refused = signed(desk, hands, **survey)
    assert refused.status_code == 422
    assert "Place: the register changed meanwhile. Look at it again." in refused.text
    assert 'name="f.upstream" autocomplete="off" maxlength="200" value="D-331"' in refused.text
    assert 'name="p.upstream" value="differs" checked' in refused.text
    assert 'name="f.serial.P1.1" autocomplete="off" maxlength="200" value="S-44"' in refused.text
    assert "Place: <b>Roof plant room, bay 4</b>" in refused.text
    assert 'name="p.location" value="as on the register" checked' not in refused.text
    assert dict(desk.running.site.jobs.site().housed.surveys) == {}

    again = survey | {"shown.location": "Roof plant room, bay 4"}
    assert signed(desk, hands, note="again", **again).status_code == 303
    (taken,) = desk.running.site.jobs.site().housed.surveys["EF-03"]
    assert [item.register_has for item in taken.seen if item.point == "location"] == ["Roof plant room, bay 4"]


def test_a_survey_is_not_signed_by_somebody_else(desk: Desk) -> None:
    """Who is signed in signs, with their own secret."""
    hands, eyes = desk.named("technician"), desk.named("technician", 1)

    refused = signed(desk, hands, **looked(desk, person=eyes.id, secret=SECRETS[eyes.name]))
    assert refused.status_code == 403
    assert dict(desk.running.site.jobs.site().housed.surveys) == {}


def test_a_backup_without_the_photo_of_a_survey_is_none(desk: Desk, tmp_path_factory: pytest.TempPathFactory) -> None:
    """What a survey names has to be in every copy that counts."""
    signed(desk, desk.named("technician"), files={"photo.1": ("view.jpg", jpeg(64, 48))}, **looked(desk))
    data, clock, beside = desk.running.site.settings.data, desk.running.site.clock, tmp_path_factory.mktemp("copies")
    assert make_backup(data, beside / "whole", with_keys=False, program="test", clock=clock).photos == 1

    ((name,),) = (survey.photos or () for survey in desk.running.site.jobs.site().housed.surveys["EF-03"])
    (data / photo_path(name)).unlink()
    with pytest.raises(StorageFault, match=f"photo {name[:12]} is named by an entry and is not there"):
        make_backup(data, beside / "half", with_keys=False, program="test", clock=clock)
