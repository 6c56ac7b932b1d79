"""The logbook in the page: read without a night's record, notes written, bad ones kept."""

from __future__ import annotations

import io
import time
from dataclasses import replace

import pytest
from PIL import Image

from slowglass.learn.logbook.records import LoggedFrame, LoggedNote, LoggedPicture, Night
from slowglass.learn.logbook.store import open_logbook
from slowglass.web.app import create_app


@pytest.fixture
def bench(workbench, tmp_path, monkeypatch):
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path / "config"))
    fresh = replace(workbench)
    vars(fresh).update(sky=workbench.sky, logbook=open_logbook(tmp_path / "logbook.sqlite"))
    yield fresh
    fresh.logbook.close()


@pytest.fixture
def ask(bench, tmp_path, send):
    app = create_app(bench, folder=tmp_path / "none")
    return lambda *args, **options: send(app, *args, **options)


def test_an_empty_logbook_says_so(ask):
    assert "No night is logged yet" in ask("/learn").text


def test_nights_and_pictures_are_listed(ask, bench):
    night = bench.logbook.night(Night("2026-10-09", bench.site.name, bench.kit.name))
    frames = [LoggedFrame("a", "a.fits", exposure_s=30.0, keeper=True, object="NGC 7078")]
    bench.logbook.log_frames(night, frames)
    bench.logbook.add(LoggedPicture("m15.tif", object="NGC 7078", frames_used=7))
    page = ask("/learn")
    assert page.status_code == 200
    for words in ("2026-10-09", "NGC 7078", "One light frame, 1 kept", "one finished picture"):
        assert words in page.text
    pictures = ask("/learn/pictures").text
    assert "m15.tif" in pictures and "no longer there" in pictures


def test_a_note_is_written_and_a_bad_one_stays_in_the_form(ask, bench):
    data = {"night": "2026-10-09", "text": "Dew <at> midnight"}
    assert ask("/learn/note", method="POST", data=data).status_code == 303
    assert "Dew &lt;at&gt; midnight" in ask("/learn").text
    answer = ask("/learn/note", method="POST", data={"night": "soon", "text": "keep me"})
    assert answer.status_code == 400
    assert "is not a date" in answer.text
    assert "keep me" in answer.text
    assert len(bench.logbook.all(LoggedNote)) == 1


def test_corrections_that_were_not_measured_are_refused(ask):
    for to in ("adopt", "put aside"):
        data = {"quantity": "camera.gain", "to": to}
        assert ask("/learn/correction", method="POST", data=data).status_code == 400
    headers = {"origin": "http://evil.example"}
    assert ask("/learn/correction", method="POST", headers=headers).status_code == 403


def log_history(bench, *, nights=2, frames=5):
    """Frames of a kit that passes 0.7 of the promised light, on a longer tube than stated."""
    for n in range(nights):
        evening = f"2026-10-{9 + n:02}"
        night = bench.logbook.night(Night(evening, bench.site.name, bench.kit.name))
        bench.logbook.log_frames(
            night,
            [
                LoggedFrame(
                    f"{n}-{k}", f"folder/light_{n}{k}.fits", object="NGC7078", solved=True,
                    keeper=True, start_utc=f"{evening}T20:{2 * k:02}:00Z", exposure_s=30.0,
                    ra_deg=322.49, dec_deg=12.17, fwhm_arcsec=2.8 + 0.2 * k, elongation=1.08,
                    sky_mag_arcsec2=20.1, snr=9.0, faintest_mag=15.0 + 0.1 * k,
                    verdict={"scale_arcsec_per_px": 0.605, "width_px": 6000, "height_px": 4000,
                             "rotation_deg": 12.0, "light": {"transparency": 0.7}},
                )
                for k in range(frames)
            ],
        )  # fmt: skip


def lessons_page(ask):
    """The page once the lessons are worked out."""
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        page = ask("/learn")
        assert page.status_code == 200
        if "being worked out" not in page.text:
            return page.text
        time.sleep(0.1)
    raise AssertionError("the lessons were never worked out")


def test_the_page_comes_at_once_and_the_lessons_when_they_are_worked_out(ask, bench):
    log_history(bench)
    assert "being worked out" in ask("/learn").text
    page = lessons_page(ask)
    for words in ("Limiting magnitude", "Biggest reason", "Focal length", "Adopt"):
        assert words in page
    # Asked again, it is not worked out again; a new frame makes it old.
    assert "being worked out" not in ask("/learn").text
    log_history(bench, nights=3)
    assert "being worked out" in ask("/learn").text


def test_a_value_is_adopted_and_put_aside_from_the_page(ask, bench, tmp_path):
    log_history(bench)
    lessons_page(ask)
    key = "optics.focal_length_mm"
    data = {"quantity": key}
    assert ask("/learn/correction", method="POST", data=data).status_code == 303
    (kit_file,) = (tmp_path / "config").glob("kit.toml")
    adopted = kit_file.read_text(encoding="utf-8")
    assert "focal_length_mm = 1329" in adopted
    page = lessons_page(ask)
    assert "In use now" in page and "stated" in page
    back = {"quantity": key, "to": "put aside"}
    assert ask("/learn/correction", method="POST", data=back).status_code == 303
    assert "focal_length_mm = 1300" in kit_file.read_text(encoding="utf-8")


def test_frames_are_looked_up_and_wrong_fields_told_beside_them(ask, bench):
    log_history(bench)
    found = ask("/learn/frames?object=M15&fwhm_below=3,1").text
    assert "4 frames" in found and "light_00.fits" in found and "light_04.fits" not in found
    assert "One frame" in ask("/learn/frames?reaching=15.35&until=2026-10-09").text
    assert "10 frames" in ask("/learn/frames?near=21 30 %2B12 10&radius=1").text
    assert "No frame" in ask("/learn/frames?near=M31").text
    wrong = ask("/learn/frames?fwhm_below=thin&object=M9999&since=yesterday&near=Nowhere")
    assert wrong.status_code == 400
    for words in ("“thin” is not a number", "is not a date", "M9999", "Nowhere"):
        assert words in wrong.text
    assert "<script>alert" not in ask("/learn/frames?object=<script>alert(1)</script>").text


def test_pictures_are_found_by_place_and_shown_small(ask, bench, tmp_path):
    Image.new("RGB", (1400, 900), (60, 30, 90)).save(tmp_path / "m15.png")
    number = bench.logbook.add(
        LoggedPicture(str(tmp_path / "m15.png"), object="NGC7078", ra_deg=322.49, dec_deg=12.17,
                      caption="M15 <b>bright</b>: 40 frames")
    )  # fmt: skip
    bench.logbook.add(LoggedPicture("gone.png", object="NGC253", ra_deg=11.9, dec_deg=-25.3))
    bench.logbook.add(LoggedPicture(str(tmp_path / "secret.txt")))
    page = ask("/learn/pictures").text
    assert "3 pictures" in page
    assert f'href="#picture-{number}"' in page
    assert "<b>bright" not in page
    near = ask("/learn/pictures?near=M15&radius=5").text
    assert "One picture" in near and "sky-circle" in near and "NGC253" not in near
    assert ask("/learn/pictures?near=Nowhere").status_code == 400
    small = ask(f"/learn/pictures/{number}.jpg")
    assert small.headers["content-type"] == "image/jpeg"
    assert max(Image.open(io.BytesIO(small.content)).size) == 560
    (tmp_path / "secret.txt").write_text("a secret")
    for other in (number + 1, number + 2, 999):
        assert ask(f"/learn/pictures/{other}.jpg").status_code == 404


def test_choose_says_what_is_photographed(ask, bench):
    log_history(bench)
    assert "Photographed on 2026-10-10" in ask("/choose/M15?night=2026-10-10").text
    assert "Photographed on" not in ask("/choose/M57?night=2026-10-10").text
