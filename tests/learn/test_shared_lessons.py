"""What is worked out once, counted by the database, and told as JSON and back."""

from __future__ import annotations

import math

import pytest

from slowglass.errors import UsageError
from slowglass.kit.io import load_kit
from slowglass.learn.ask import ask_frames, number_between
from slowglass.learn.groups import groups_of
from slowglass.learn.logbook.records import FrameQuery, LoggedFrame, Night
from slowglass.learn.logbook.store import open_logbook
from slowglass.learn.residuals import residual_rows
from slowglass.learn.service import learn_from, summarise_logbook
from slowglass.learn.shared import Shared
from slowglass.learn.transfer import Measured
from slowglass.learn.values import KitValue, kit_value


def test_a_prediction_is_made_once_for_each_kit_and_site(history, sky, monkeypatch):
    import slowglass.learn.shared as shared_module

    made = []

    def counted(group, kit, site, sky):
        made.append((group.object, kit.optics.transmission))
        return real(group, kit, site, sky)

    real = shared_module.predict
    monkeypatch.setattr(shared_module, "predict", counted)
    with open_logbook(history.file) as logbook:
        (first, second) = groups_of(logbook)
    shared = Shared(sky)
    dim = history.kit.optics.model_copy(update={"transmission": 0.5})
    other = history.kit.model_copy(update={"optics": dim})
    for _ in range(3):
        for group in (first, second):
            assert shared.predict(group, history.kit, history.site).snr
            shared.predict(group, other, history.site)
    assert len(made) == 4


def test_lessons_do_not_depend_on_what_was_shared(history, sky):
    with open_logbook(history.file) as logbook:
        once = learn_from(logbook, history.kit, history.site, sky).to_json()
        again = learn_from(logbook, history.kit, history.site, sky).to_json()
    assert once == again
    # Predicted and measured limits of the rendered frames agree as the measuring allows:
    # hidden glass passes 0.71 of the promised light, hidden sky is 0.6 mag brighter.
    for review in once["reviews"]:
        (limit,) = (r for r in review["rows"] if r["quantity"] == "Limiting magnitude")
        expected = 2.5 * math.log10(0.6 / 0.85) - 0.5 * 0.6
        assert limit["difference"] == pytest.approx(expected, abs=0.25)
        (stars,) = (r for r in review["rows"] if r["quantity"] == "Catalogue stars reached")
        assert stars["predicted"] >= stars["measured"] >= 0.8 * stars["predicted"]


def test_counts_are_those_of_the_frames(logged):
    found = summarise_logbook(logged)
    frames = logged.frames(FrameQuery(kind="light"))
    assert found.frames == len(frames)
    assert found.keepers == sum(f.keeper for f in frames)
    assert found.kept_s == pytest.approx(sum(f.exposure_s for f in frames if f.keeper))
    before = logged.frames_mark()
    logged.remove(LoggedFrame, frames[0].id)
    assert summarise_logbook(logged).frames == len(frames) - 1
    assert logged.frames_mark() != before
    logged.remove(LoggedFrame, frames[0].id, undo=True)
    assert summarise_logbook(logged).frames == len(frames)
    near = FrameQuery(near=(frames[1].ra_deg, frames[1].dec_deg, 0.5), limit=2)
    assert logged.count_frames(near) == len(logged.frames(FrameQuery(near=near.near)))


def test_photographed_objects_come_with_their_last_evening(tmp_path):
    with open_logbook(tmp_path / "log.sqlite") as logbook:
        for evening in ("2026-10-09", "2026-11-01", "2026-10-20"):
            night = logbook.night(Night(evening, "yard", "kit"))
            logbook.log_frames(night, [LoggedFrame(evening, "a", object="M15", keeper=True)])
        night = logbook.night(Night("2026-11-05", "yard", "kit"))
        logbook.log_frames(night, [LoggedFrame("bad", "a", object="M15", keeper=False)])
        assert logbook.photographed_on() == {"M15": "2026-11-01"}


def test_a_value_goes_through_json_unchanged():
    kit = load_kit("long 102")
    value = kit_value(kit, "optics.transmission", "light", "", Measured(0.7, 0.02), "9 frames",
                      ("a.fits", "b.fits"))  # fmt: skip
    assert KitValue.from_json(value.to_json()) == value


def test_questions_with_empty_fields_ask_for_every_light_frame(sky):
    assert ask_frames({}, sky).query == FrameQuery(kind="light")
    asked = ask_frames(
        {"object": "M15", "fwhm_below": "3″", "near": "M15", "radius": "2", "keepers": "yes",
         "since": "2026-10-01", "file": "light_"}, sky, limit=7,
    )  # fmt: skip
    assert not asked.faults
    assert asked.query.object == "NGC7078" and asked.query.fwhm_below_arcsec == 3.0
    assert asked.query.near[2] == 2.0 and asked.query.keeper and asked.query.limit == 7
    with pytest.raises(UsageError, match="out of range"):
        number_between("400", "°", 0.0, 180.0)


def review(off: float | None, unit: str = "") -> dict:
    row = {"quantity": "x", "unit": unit, "ratio": None, "difference": None}
    row["difference" if unit else "ratio"] = off
    return {"night": "2026-10-09", "object": "M15", "rows": [row]}


def test_residuals_lie_in_the_middle_when_as_predicted_and_mirror_each_other():
    (row,) = residual_rows([review(r) for r in (1.0, 2.0, 0.5, None, 0.0)])
    places = [m.place for m in row.marks]
    assert places[0] == 0.5 and places[1] + places[2] == pytest.approx(1.0)
    (row,) = residual_rows([review(d, "mag") for d in (0.0, -0.1, 9.0)])
    assert [m.beyond for m in row.marks] == [False, False, True]
    assert row.marks[2].place == 1.0 and row.low == "−2.00 mag"
    assert residual_rows([review(None)]) == []
