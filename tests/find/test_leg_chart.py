"""Charts of single legs: where one is and where one goes, nothing of the rest of the way."""

from __future__ import annotations

import pytest

from slowglass.errors import UsageError
from slowglass.find.plates import ChartWish, leg_chart
from slowglass.find.svg import svg_text
from slowglass.kit.io import load_kit, load_site
from slowglass.sky.coords import separation_deg
from slowglass.workbench import Workbench


@pytest.fixture(scope="module")
def route(sky):
    return Workbench.open(kit="long 102", site="Fig Tree Yard").find("M15")


def test_each_leg_has_a_chart_that_holds_both_its_ends(route, sky):
    kit, site = load_kit("long 102"), load_site("Fig Tree Yard")
    ra, dec = route.anchor_ra_deg, route.anchor_dec_deg
    for number, leg in enumerate(route.legs, 1):
        chart = leg_chart(route, number, kit, site, sky, wish=ChartWish("erect", None, 1.7))
        left, top, width, height = chart.sky_box
        for place in ((ra, dec), (leg.to_ra_deg, leg.to_dec_deg)):
            x, y = chart.projection.place(*place)
            assert left < x < left + width
            assert top < y < top + height
        assert chart.title.startswith(f"Leg {number}: from ")
        # the view round both stops fits: no wider than needed for that
        across = width / chart.projection.scale
        apart = float(separation_deg(ra, dec, leg.to_ra_deg, leg.to_dec_deg))
        assert across < 2.6 * (apart + route.field_deg)
        ra, dec = leg.to_ra_deg, leg.to_dec_deg
    assert "M15" in svg_text(chart, "night")


def test_there_is_no_leg_beyond_the_last(route, sky):
    for number in (0, len(route.legs) + 1):
        with pytest.raises(UsageError, match="has no leg"):
            leg_chart(route, number, load_kit("long 102"), load_site("Fig Tree Yard"), sky)
