"""Setting the polar axis with the watch: led from three turned frames to clamped bolts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_judge_axis import NORTH, SIDEREAL_DEG_S, SOUTH, START, frames, mounted

from slowglass.judge.watch_axis import follow_axis


def follow(samples, site=NORTH):
    return follow_axis(
        samples, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg, driven=True
    )


def turned(site=NORTH, altitude=25.0, azimuth=-40.0, hours=(-60, -40, -20)):
    dec = np.copysign(30, site.latitude_deg)
    return frames(mounted(site, altitude, azimuth, dec), hours, START + 120.0 * np.arange(3))


def bolted(site, altitude, azimuth, after_s, seed=0):
    """A frame after the bolts were turned, the drive running."""
    time = START + 240.0 + after_s
    hour = -20 + SIDEREAL_DEG_S * after_s
    dec = np.copysign(30, site.latitude_deg)
    return frames(mounted(site, altitude, azimuth, dec), [hour], [time], seed=seed)[0]


def test_it_asks_for_three_frames_turned_in_ra():
    assert follow([]).say.text == "Shoot a first frame, well above the horizon"
    for count in (1, 2):
        session = follow(turned()[:count])
        assert session.stage == "turn"
        assert session.say.text == "Turn RA 20° or more, then shoot again"
        assert f"{count} of 3 frames" in session.say.evidence[0]


def test_too_small_a_turn_is_not_taken():
    session = follow(turned(hours=(-26, -23, -20)))
    assert session.stage == "turn" and session.fit is None
    assert "turned" in session.say.evidence[-1]


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_one_bolt_at_a_time_the_worse_first_until_it_is_set(site):
    samples = turned(site)
    session = follow(samples, site)
    assert session.stage == "bolts" and session.say.text.startswith("Turn the axis ")
    assert session.aim.azimuth_arcmin == pytest.approx(-40.0, abs=0.6)
    assert session.say.text.endswith("east, then shoot again")
    samples.append(bolted(site, 25.0, 5.0, 60.0))
    session = follow(samples, site)
    assert session.say.text.startswith("Lower the axis by 2")
    samples.append(bolted(site, 0.0, 0.0, 120.0))
    session = follow(samples, site)
    assert session.stage == "done" and session.say.cue == "done"
    assert session.say.text == "The polar axis is set: clamp the bolts"


def test_a_frame_without_a_place_is_asked_for_again_and_nothing_is_lost():
    samples = turned()
    cloudy = replace(bolted(NORTH, 25.0, 5.0, 60.0), ra_deg=None, dec_deg=None)
    session = follow([*samples, cloudy])
    assert session.stage == "bolts" and session.fit is not None
    assert session.say.text == "Shoot again: that frame has no place"
    assert follow([*samples, cloudy, bolted(NORTH, 25.0, 5.0, 90.0)]).aim is not None


def test_moved_axes_start_it_anew():
    samples = turned()
    away = frames(mounted(NORTH, 25.0, -40.0, 70.0), [30.0], [START + 300.0])[0]
    session = follow([*samples, away])
    assert session.stage == "turn" and session.fit is None
    assert "no turn of the bolts" in session.say.evidence[-1]


def test_every_word_of_it_fits_the_dark():
    samples = [*turned(), bolted(NORTH, 25.0, 5.0, 60.0), bolted(NORTH, 0.0, 0.0, 120.0)]
    for count in range(len(samples) + 1):
        session = follow(samples[:count])
        assert len(session.say.text.split()) <= 10
        told = session.to_json()
        assert (told["to_px"] is None) == (session.aim is None)
