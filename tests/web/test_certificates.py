"""Certificates and housing sheets over HTTP: read by workers, linked, signed, and made from what the screens show."""

import html
from dataclasses import replace
from pathlib import Path

import pytest

from app.domain.commands import TakeWayOut
from app.paper.signing import inspect_pdf
from app.web.context import Site
from tests.paper.samples import HOSTILE
from tests.paper.tools import pages, unspaced
from tests.web.desk import Desk

READING = {"bank": "hepa", "on": "2026-03-01", "drop_pa": "612", "flow_m3_h": "1690", "temp_c": "", "note": HOSTILE,
           "instrument": ""}  # fmt: skip


def failed(desk: Desk) -> str:
    """Return a job whose HEPA bank has failed its leak test and whose steps were put in for a hostile reason."""
    job = desk.open_job()
    desk.work_until(job, "Test the HEPA bank in place")
    desk.answer(job, desk.named("technician"), downstream="0.9")
    desk.go_on(job)
    desk.do(job, TakeWayOut("reseat-hepa", HOSTILE), desk.named("lead", 1))
    return job


def test_the_page_tells_both_attempts_and_the_verdict_in_force(desk: Desk) -> None:
    """After re-seating the failed attempt and the overtaken readings stand there, and the leak test is met."""
    job, hands = failed(desk), desk.named("technician")
    before = desk.get(hands, f"/jobs/{job}/certificate/hepa").text
    desk.work_until(job, "no step has these words")

    after = desk.get(hands, f"/jobs/{job}/certificate/hepa").text

    assert "NOT PASSED. " in before
    assert "UNFINISHED. State of the job: open;" in before
    assert "UNFINISHED. State of the job: work done;" in after
    assert '<span class="test-verdict">MET</span>' in after
    assert [after.count(f'>{words}</b></p><p class="use">entry') for words in ("failed", "no longer in force")] == [
        1,
        2,
    ]
    assert html.escape(HOSTILE, quote=False).replace('"', "&#34;") in after
    assert "<script>alert(1)" not in after


def test_the_pdf_is_signed_by_the_site_and_names_the_newest_head(desk: Desk, tmp_path: Path) -> None:
    """The site's own key signed the whole file, the head on it is the job's newest, and the export is noted."""
    job, hands = failed(desk), desk.named("technician")
    head, key = desk.running.site.jobs.newest_head(job), desk.running.key
    before = desk.running.site.jobs.site().size

    answer = desk.get(hands, f"/jobs/{job}/certificate/hepa.pdf")
    found = inspect_pdf(answer.content, authority_pem=key.authority_pem)
    text = " ".join(pages(answer.content, tmp_path))
    noted = desk.running.store.read_payloads("site")[before:]

    assert answer.headers["content-type"] == "application/pdf"
    assert answer.headers["content-disposition"] == f'attachment; filename="{job}-hepa-certificate.pdf"'
    assert (found.covers_whole_file, found.intact, found.certificate_pem) == (True, True, key.certificate_pem)
    assert head is not None
    assert f"Made from the first {head.size} entries" in text
    assert head.root.hex() in text
    assert unspaced(HOSTILE) in unspaced(text)
    assert [b"record_exported" in payload and head.root.hex().encode() in payload for payload in noted] == [True]


def test_the_record_links_its_certificates_and_holds_them(desk: Desk, tmp_path: Path) -> None:
    """Every bank that is tested is linked from the record's page, and the record's PDF has its sheets."""
    job, hands = desk.open_job("EF-11"), desk.named("technician")

    page = desk.get(hands, f"/jobs/{job}/record").text
    text = " ".join(pages(desk.get(hands, f"/jobs/{job}/record.pdf").content, tmp_path))

    for bank, words in (("prefilter", "prefilter bank"), ("hepa", "HEPA bank"), ("carbon", "carbon bank")):
        assert f'href="/jobs/{job}/certificate/{bank}"' in page
        assert desk.get(hands, f"/jobs/{job}/certificate/{bank}").status_code == 200
        assert text.count(f"Test certificate: {words}") == 1


@pytest.mark.parametrize("ending", ["", ".pdf"])
def test_a_wrong_address_is_told_in_one_sentence(desk: Desk, ending: str) -> None:
    """A bank that the housing does not have, and a job that is not there, are told and nothing is noted."""
    job, hands = desk.open_job(), desk.named("technician")
    before = desk.running.site.jobs.site().size

    bank = desk.get(hands, f"/jobs/{job}/certificate/carbon{ending}")
    none = desk.get(hands, f"/jobs/job-2000-0001/certificate/hepa{ending}")

    assert (bank.status_code, none.status_code) == (422, 422)
    assert "has no bank" in bank.text
    assert "There is no job &#39;job-2000-0001&#39; here." in none.text
    assert desk.running.site.jobs.site().size == before


def test_the_sheet_of_a_housing_is_linked_and_holds_its_history(desk: Desk, tmp_path: Path) -> None:
    """A worker takes it from the history page: readings, what is due, the story, and that it is not signed."""
    job, hands = failed(desk), desk.named("technician")
    desk.work_until(job, "no step has these words")
    desk.post(hands, "/housings/EF-03/readings", **READING)

    page = desk.get(hands, "/housings/EF-03/history").text
    answer = desk.get(hands, "/housings/EF-03/history.pdf")
    text = " ".join(pages(answer.content, tmp_path))

    assert 'href="/housings/EF-03/history.pdf"' in page
    assert answer.headers["content-disposition"] == 'attachment; filename="EF-03-history.pdf"'
    assert "not signed" in text
    assert not inspect_pdf(answer.content, authority_pem=None).signed
    for words in ("Leak test, HEPA bank", "OUTSIDE", "since the filters were changed on 2026-03-02", "2027-03-02"):
        assert words in text
    assert unspaced(HOSTILE) in unspaced(text)
    head = desk.running.site.jobs.newest_head(job)
    assert head is not None
    assert f"{head.size} entries, root {head.root.hex()[:4]}" in text


def test_paper_and_screen_show_the_same_drawing(desk: Desk) -> None:
    """The bytes handed to the printer are those that the screen gets at the drawing's own address."""
    hands, taken = desk.named("technician"), list[dict[str, bytes]]()
    desk.post(hands, "/housings/EF-03/readings", **READING)
    shown = desk.get(hands, "/housings/EF-03/hepa/trend.svg").content

    def keep(_sheet: dict[str, object], drawings: dict[str, bytes], _made_at: str) -> bytes:
        taken.append(drawings)
        return b"%PDF"

    site: Site = desk.running.app.state.site
    desk.running.app.state.site = replace(site, print_housing=keep)
    answer = desk.get(hands, "/housings/EF-03/history.pdf")

    assert answer.content == b"%PDF"
    assert taken == [{"trend-hepa.svg": shown}]


def test_a_housing_without_any_reading_has_a_sheet_too(desk: Desk, tmp_path: Path) -> None:
    """Nothing is drawn, and what is missing is said; a housing that is not there is told."""
    hands = desk.named("technician")

    text = " ".join(pages(desk.get(hands, "/housings/EF-07/history.pdf").content, tmp_path))
    none = desk.get(hands, "/housings/none/history.pdf")

    assert "Nothing is on record." in text
    assert "No job on this housing is on record." in text
    assert none.status_code == 422
