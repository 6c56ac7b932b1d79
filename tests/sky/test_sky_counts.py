"""Stars per square degree at the galactic plane and pole against a published survey."""

from __future__ import annotations

import numpy as np

from slowglass.sky.deep import galactic_latitude_deg


def test_star_counts_follow_the_published_fall_from_plane_to_pole(sky):
    """Høg et al. 2000 (A&A 355, L27, Fig. 1): the Tycho-2 Catalogue, well covered to V 11.5 or so,
    has on average 150 stars a square degree at the galactic equator and 25 at the poles, a fall of
    6.0. Ours ends at G = 10: the fall, which grows with depth, may be a third smaller; each count,
    taken on 1.5 mag at the rate at which it grows from 9 to 10, may be 40 % off for the unlike
    bands and the blurred limit of that survey."""
    stars = sky.stars
    mag = np.asarray(stars.column("mag"))
    ra, dec = (np.asarray(stars.column(name)) for name in ("ra_deg", "dec_deg"))
    b = np.abs(galactic_latitude_deg(ra, dec))
    sky_deg2 = 4 * np.pi * np.degrees(1.0) ** 2
    counts = []
    for low, high, published in ((0.0, 5.0, 150.0), (75.0, 90.0, 25.0)):
        area = sky_deg2 * (np.sin(np.radians(high)) - np.sin(np.radians(low)))
        inside = (b >= low) & (b < high)
        to_9, to_10 = (np.count_nonzero(inside & (mag <= limit)) / area for limit in (9.0, 10.0))
        assert abs(to_10 * (to_10 / to_9) ** 1.5 / published - 1.0) < 0.4
        counts.append(to_10)
    assert 4.0 < counts[0] / counts[1] < 6.0
