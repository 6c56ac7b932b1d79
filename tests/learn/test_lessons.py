"""What logged frames teach: a kit that is not as stated is found out, night by night."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from slowglass.errors import UsageError
from slowglass.kit.io import load_kit, load_site, write_kit
from slowglass.learn.adopt import Files, adopt
from slowglass.learn.advice import _classes as class_advice
from slowglass.learn.advice import _Row as Row
from slowglass.learn.advice import advise
from slowglass.learn.corrections import corrected, propose
from slowglass.learn.groups import Group, GroupMeasures, Prediction, groups_of
from slowglass.learn.log import log_paths
from slowglass.learn.logbook.records import FrameQuery, LoggedFrame, LoggedPlan, Night
from slowglass.learn.review import leave_one_night_out, misses_of, review_groups, worthwhile
from slowglass.learn.service import learn_from, summarise_logbook
from slowglass.learn.shared import Shared
from slowglass.learn.values import rounded

EVENINGS, FRAMES = ("2026-10-09", "2026-10-10"), 4


@pytest.fixture(scope="module")
def groups(history):
    from slowglass.learn.logbook.store import open_logbook

    with open_logbook(history.file) as logbook:
        yield groups_of(logbook)


def test_frames_fall_into_nights_and_objects(logged, history):
    assert [n.evening for n in logged.all(Night)] == list(EVENINGS)
    frames = logged.frames(FrameQuery(object="NGC457"))
    assert len(frames) == 2 * FRAMES
    assert all(f.solved and f.altitude_deg and 40 < f.altitude_deg < 80 for f in frames)
    assert [p.object for p in logged.all(LoggedPlan)] == ["NGC457"] * 2


def test_logging_again_changes_nothing_unless_asked(logged, history, sky):
    bench = {"kit": history.kit, "site": history.site, "sky": sky}
    one = history.folder / "frames" / "n0_0.fits"
    (known,) = log_paths(logged, [one], **bench)
    assert not known.new and known.frame is not None
    (again,) = log_paths(logged, [one], **bench, again=True)
    assert not again.new
    assert len(logged.frames()) == 2 * FRAMES


def test_a_broken_file_is_told_and_the_rest_goes_on(logged, history, sky, tmp_path):
    (tmp_path / "broken.fits").write_bytes(b"SIMPLE  = nonsense")
    outcomes = list(log_paths(logged, [tmp_path], kit=history.kit, site=history.site, sky=sky))
    assert len(outcomes) == 1 and outcomes[0].frame is None and outcomes[0].error


def test_the_hidden_kit_is_found_out(groups, history, sky):
    values = {v.quantity: v for v in propose(groups, history.kit, history.site, Shared(sky))}
    focal = values["optics.focal_length_mm"]
    assert focal.value == pytest.approx(history.truth.optics.focal_length_mm, rel=1e-3)
    light = values["optics.transmission"]
    # Vignetting costs stars off the middle some per cent that the kit does not know of.
    assert light.value == pytest.approx(history.truth.optics.transmission, rel=0.1)
    air = values["sky_mag_arcsec2"]
    assert air.value == pytest.approx(history.true_site.sky_mag_arcsec2, abs=0.12)
    assert values["seeing_arcsec"].value == pytest.approx(history.site.seeing_arcsec, abs=0.5)
    differing = {v.quantity for v in worthwhile(tuple(values.values()))}
    assert {"optics.focal_length_mm", "optics.transmission", "sky_mag_arcsec2"} <= differing


def test_corrections_improve_a_night_they_did_not_see(groups, history, sky):
    trial = leave_one_night_out(groups, history.kit, history.site, Shared(sky))
    assert {t.evening for t in trial.trials} == set(EVENINGS)
    one = leave_one_night_out(groups[:1], history.kit, history.site, Shared(sky))
    assert one.trials == () and "Two nights" in one.text


def test_the_corrected_kit_keeps_the_stated_values(groups, history, sky):
    values = propose(groups, history.kit, history.site, Shared(sky))
    kit, site = corrected(history.kit, history.site, values)
    blocks = {m.quantity: m for m in (*kit.measured, *site.measured)}
    assert blocks["optics.focal_length_mm"].stated == history.kit.optics.focal_length_mm
    assert kit.optics.focal_length_mm == pytest.approx(1274.0, rel=1e-3)


def test_what_is_adopted_is_not_corrected_again(groups, history, sky):
    first = propose(groups, history.kit, history.site, Shared(sky))
    kit, site = corrected(history.kit, history.site, first)
    before = {v.quantity: v for v in first}
    for value in propose(groups, kit, site, Shared(sky)):
        # The frames were judged against the old kit; what they say of the glass is the same.
        near = 0.5 * value.sigma + 1e-3 * abs(value.value)
        assert value.value == pytest.approx(before[value.quantity].value, abs=near), value.quantity


def test_review_names_the_biggest_reason(groups, history, sky):
    (review, _) = review_groups(groups, history.kit, history.site, Shared(sky))
    ratio = {row.quantity: row.ratio for row in review.rows}
    assert ratio["Light that arrived"] == pytest.approx(0.6 / 0.85, rel=0.12)
    assert "of the promised light" in " ".join(m.text for m in review.misses) or (
        "brighter" in review.reason
    )


def prediction(**changes) -> Prediction:
    base = Prediction(
        snr=20.0, fwhm_arcsec=3.5, keeper_fraction=0.8, sky_mag_arcsec2=20.3, faintest_mag=16.0,
        object_e_per_px=10.0, sky_e_per_px=40.0, dark_e_per_px=1.0, read_noise_e=3.0,
    )  # fmt: skip
    return replace(base, **changes)


def measures(**changes) -> GroupMeasures:
    base = GroupMeasures(
        frames=20, round_frames=16, shaped_frames=20, snr=20.0, fwhm_arcsec=3.5,
        sky_mag_arcsec2=20.3, transparency=1.0, scale_arcsec_per_px=0.6,
    )  # fmt: skip
    return replace(base, **changes)


def test_a_miss_of_one_cause_names_that_cause_with_its_weight():
    assert misses_of(prediction(), measures()) == ()
    (haze,) = misses_of(prediction(), measures(transparency=0.5))
    # Half the light of object and sky: 10/√60 falls to 5/√(5+20+1+9) by the CCD equation.
    assert haze.cause == "light"
    assert haze.factor == pytest.approx((5 / math.sqrt(35)) / (10 / math.sqrt(60)))
    (town,) = misses_of(prediction(), measures(sky_mag_arcsec2=19.3))
    assert town.cause == "sky"
    assert town.factor == pytest.approx(math.sqrt(60 / (10 + 40 * 10**0.4 + 10)))
    (drive,) = misses_of(prediction(), measures(round_frames=4))
    assert drive.cause == "tracking" and drive.factor == pytest.approx(0.5)
    (focus,) = misses_of(prediction(), measures(fwhm_arcsec=5.0))
    assert focus.cause == "width" and focus.factor == pytest.approx(0.7)
    both = misses_of(prediction(), measures(fwhm_arcsec=5.0, round_frames=4))
    assert [m.cause for m in both] == ["tracking", "width"]


def test_a_stars_width_is_told_without_its_trail():
    # A trail stretches one axis: area and width grow with the root of the elongation.
    frames = tuple(
        LoggedFrame(str(e), "x.fits", start_utc="2026-10-09T20:00:00Z", exposure_s=30.0,
                    keeper=True, elongation=e, fwhm_arcsec=3.2 * math.sqrt(e))
        for e in (1.0, 1.05, 1.1, 1.14, 1.5)
    )  # fmt: skip
    group = Group(Night("2026-10-09", "yard", "kit"), "NGC7078", 30.0, frames, None)
    assert group.measures().fwhm_arcsec == pytest.approx(3.2)
    trailed = replace(group, frames=frames[-1:])
    assert trailed.measures().fwhm_arcsec == pytest.approx(3.2)


def test_open_clusters_are_not_set_against_glows(sky):
    rows = []
    for name, snr in (("NGC457", 300.0), ("NGC7078", 10.0)):
        frames = (LoggedFrame(name, "x.fits", start_utc="2026-10-09T20:00:00Z", exposure_s=30.0),)
        group = Group(Night("2026-10-09", "yard", "kit"), name, 30.0, frames, None)
        rows.append(Row(group, measures(snr=snr), prediction()))
    assert class_advice(rows, sky) == []


def test_advice_shows_its_sums_and_ranks_by_gain(groups, history, sky):
    rough = history.kit.mount.model_copy(update={"polar_error_arcmin": 60.0})
    kit = history.kit.model_copy(update={"mount": rough})
    found = advise(groups, kit, history.site, Shared(sky))
    assert found[0].change.startswith("Set the polar axis")
    assert [a.factor for a in found] == sorted((a.factor for a in found), reverse=True)
    assert all(a.sums and a.groups for a in found)
    well_set = kit.mount.model_copy(update={"polar_error_arcmin": 1.0})
    better = kit.model_copy(update={"mount": well_set})
    others = advise(groups, better, history.site, Shared(sky))
    assert not any(a.change.startswith("Set the polar") for a in others)


def test_an_empty_logbook_teaches_nothing_and_says_so(tmp_path, sky):
    from slowglass.learn.logbook.store import open_logbook

    with open_logbook(tmp_path / "log.sqlite") as logbook:
        lessons = learn_from(logbook, load_kit("long 102"), load_site("Fig Tree Yard"), sky)
        assert (lessons.reviews, lessons.values, lessons.advice) == ((), (), ())
        assert summarise_logbook(logbook).frames == 0


def test_the_summary_counts_what_is_there(logged):
    found = summarise_logbook(logged)
    assert (len(found.nights), found.frames, found.objects) == (2, 2 * FRAMES, ("NGC457",))
    assert found.kept_s == 30.0 * found.keepers
    assert found.nights[0].night.evening == EVENINGS[1]


def test_values_are_written_to_two_figures_of_their_error():
    assert rounded(3.14159, 0.0123) == 3.142
    assert rounded(1299.87, 5.1) == 1299.9
    assert rounded(2.5, math.nan) == 2.5
    assert rounded(np.float64(0.7231), 0.043) == 0.723


def test_adopting_never_writes_over_another_kits_file(
    groups, history, sky, logged, tmp_path, monkeypatch
):
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(tmp_path))
    other = load_kit("long 102").model_copy(update={"name": "my own"})
    kept = write_kit(other, tmp_path / "kit.toml").read_bytes()
    values = propose(groups, history.kit, history.site, Shared(sky))
    told = "holds the kit “my own”, not “test kit”"
    with pytest.raises(UsageError, match=told):
        adopt(logged, values, kit=history.kit, site=history.site, files=Files(kit="test kit"),
              evening=date(2026, 10, 9))  # fmt: skip
    assert (tmp_path / "kit.toml").read_bytes() == kept
    assert Files(site="Karri Flat").site_path == tmp_path / "site.toml"
