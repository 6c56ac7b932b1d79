"""Kit and site files: built-in, the user's, broken ones."""

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from slowglass.errors import ConfigError, UnreadableFile, UsageError
from slowglass.kit.io import (
    kit_from_toml,
    load_kit,
    load_site,
    site_from_toml,
    write_kit,
    write_site,
)
from slowglass.kit.model import Eyepiece, Kit, Site


@pytest.fixture
def kit_text(tmp_path):
    return write_kit(load_kit("long 102"), tmp_path / "kit.toml").read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def own_config(tmp_path, monkeypatch):
    folder = tmp_path / "config"
    monkeypatch.setenv("SLOWGLASS_CONFIG", str(folder))
    return folder


def test_built_ins_by_any_spelling():
    assert load_kit("Long-102").name == "long 102"
    assert load_site("figtreeyard").name == "Fig Tree Yard"
    assert load_site("Karri Flat").latitude_deg < 0


def test_scenario_numbers():
    kit = load_kit()
    assert kit.scale_arcsec_per_px == pytest.approx(0.61879, abs=1e-5)
    assert kit.field_width_deg * 60 == pytest.approx(61.878, abs=0.001)
    assert kit.field_height_deg * 60 == pytest.approx(41.252, abs=0.001)
    assert kit.mount.worm_period_s == pytest.approx(662.80, abs=0.01)  # 86164.09 / 130
    assert kit.camera.saturation_e == 30_000


def test_the_users_own_files_come_first(own_config):
    changed = load_kit("long 102").model_copy(update={"name": "mine"})
    write_kit(changed, own_config / "kit.toml")
    write_site(load_site("Karri Flat"), own_config / "site.toml")
    assert load_kit().name == "mine"
    assert load_site().name == "Karri Flat"


def test_written_files_read_back_alike(tmp_path):
    for name in ("Fig Tree Yard", "Karri Flat"):
        site = load_site(name)
        assert load_site(write_site(site, tmp_path / f"{name}.toml")) == site
    kit = load_kit()
    assert load_kit(write_kit(kit, tmp_path / "k.toml")) == kit


@given(
    name=st.text(min_size=1, max_size=80).filter(lambda t: t.isprintable()),
    aperture_mm=st.floats(20, 2000),
    noise=st.floats(0, 200),
    eyepieces=st.integers(0, 3),
    mono=st.booleans(),
)
def test_any_kit_survives_its_file(tmp_path_factory, name, aperture_mm, noise, eyepieces, mono):
    base = load_kit("long 102")
    camera = base.camera.model_copy(
        update={"read_noise_e": noise, "bayer": None if mono else "GBRG"}
    )
    kit = Kit(
        name=name,
        optics=base.optics.model_copy(update={"aperture_mm": aperture_mm}),
        camera=camera,
        mount=base.mount,
        finder=base.finder,
        eyepieces=(Eyepiece(focal_length_mm=25.0, apparent_field_deg=50.0),) * eyepieces,
    )
    path = tmp_path_factory.mktemp("kits") / "k.toml"
    assert load_kit(write_kit(kit, path)) == kit


def test_every_written_key_has_a_comment(kit_text):
    lines = kit_text.splitlines()
    keys = [i for i, line in enumerate(lines) if " = " in line and not line.startswith("#")]
    assert len(keys) > 20
    assert all(lines[i - 1].startswith("# ") for i in keys)


def test_an_existing_file_is_never_overwritten_unasked(tmp_path):
    path = tmp_path / "kit.toml"
    path.write_text("precious", encoding="utf-8")
    with pytest.raises(UsageError, match=r"kit\.toml is already there"):
        write_kit(load_kit("long 102"), path)
    assert path.read_text(encoding="utf-8") == "precious"
    write_kit(load_kit("long 102"), path, replace=True)
    assert load_kit(path).name == "long 102"
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_a_place_that_cannot_be_written_is_said_so(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(UsageError, match=r"cannot write .*k\.toml"):
        write_kit(load_kit("long 102"), tmp_path / "file" / "k.toml")


def test_all_faults_come_together_with_key_value_range_and_unit(kit_text):
    bad = (
        kit_text.replace("aperture_mm = 102.0", "aperture_mm = 5")
        .replace("width_px = 6000", "width_px = 3.5")
        .replace('"RGGB"', '"RGB"')
        .replace("worm_teeth = 130", "worm_teeth = true")
    )
    with pytest.raises(ConfigError) as caught:
        kit_from_toml(bad, source="my.toml")
    message = str(caught.value)
    assert message.startswith("my.toml has 4 faults")
    assert len(caught.value.faults) == 4
    assert "optics.aperture_mm = 5 mm is out of range; allowed: a number from 20 to 2000 mm" in (
        message
    )
    assert "camera.width_px = 3.5 is not usable; it needs a whole number from 64" in message
    assert "camera.bayer = 'RGB'" in message
    assert "'GBRG'" in message
    assert "mount.worm_teeth = True" in message
    assert "\n" not in message
    for jargon in ("pydantic", "http", "Input should", "validation", "type="):
        assert jargon not in message


def test_a_misspelt_key_is_one_fault_with_a_suggestion(kit_text):
    with pytest.raises(ConfigError) as caught:
        kit_from_toml(kit_text.replace("focal_length_mm = 1300.0", "focal_lenght_mm = 1300.0"))
    assert caught.value.faults == (
        "optics.focal_lenght_mm is not a known key; did you mean focal_length_mm?",
    )


def test_faults_in_blocks_are_counted_from_one(kit_text):
    with pytest.raises(ConfigError, match=r"eyepieces\[1\]\.focal_length_mm = 900\.0 mm"):
        kit_from_toml(kit_text.replace("focal_length_mm = 25.0", "focal_length_mm = 900.0"))


def test_missing_blocks_are_named():
    with pytest.raises(ConfigError, match=r"optics is missing.*finder is missing"):
        kit_from_toml('name = "x"')


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("horizon = [[10, 5], [10, 6]]", "horizon gives azimuth 10 twice"),
        ("horizon = [[400, 5]]", "azimuths run from 0 to below 360"),
        ("horizon = [[10, 95]]", "altitudes run from -10 to 90"),
        ("horizon = [[1, 2, 3]]", r"is not an \[azimuth, altitude\] pair"),
        ("horizon = 30", "is not a list of"),
        ("latitude_deg = 91.0", "latitude_deg = 91.0 ° is out of range"),
        ("latitude_deg = nan", "latitude_deg = nan"),
        ('timezone = "Nowhere/Town"', "timezone is not a known time zone"),
        ('timezone = "../../etc/passwd"', "timezone is not a known time zone"),
    ],
)
def test_site_faults(line, words):
    good = {
        "name": 'name = "x"',
        "latitude_deg": "latitude_deg = 1.0",
        "longitude_deg": "longitude_deg = 2.0",
        "timezone": 'timezone = "Europe/Paris"',
        "sky_mag_arcsec2": "sky_mag_arcsec2 = 20.0",
    }
    good[line.split(" = ")[0]] = line
    with pytest.raises(ConfigError, match=words):
        site_from_toml("\n".join(good.values()))


def test_horizon_points_may_come_in_any_order():
    site = load_site("Karri Flat").model_dump()
    site["horizon"] = [[200, 5], [20, 8]]
    assert Site(**site).horizon == ((20.0, 8.0), (200.0, 5.0))


def test_files_that_cannot_be_read(tmp_path):
    binary = tmp_path / "b.toml"
    binary.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(UnreadableFile, match="not UTF-8"):
        load_kit(binary)
    with pytest.raises(UnreadableFile, match="cannot be read"):
        load_kit(tmp_path)
    with pytest.raises(UsageError, match=r"no kit file or built-in kit called 'nope'.*long 102"):
        load_kit("nope")
    broken = tmp_path / "c.toml"
    broken.write_text("name = \n", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"not valid TOML.*line 1"):
        load_kit(broken)
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 1_000_001)
    with pytest.raises(UnreadableFile, match="too large"):
        load_site(large)


KEYS = st.sampled_from(
    ["name", "optics", "camera", "eyepieces", "horizon", "bayer", "aperture_mm", "latitude_deg",
     "timezone", "width_px", "x", "focal_length_mm"]
)  # fmt: skip
VALUES = st.recursive(
    st.booleans()
    | st.integers(-(2**60), 2**60)
    | st.floats()
    | st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(KEYS, VALUES, max_size=6))
def test_any_toml_is_a_kit_or_a_plain_complaint(values):
    text = tomlkit.dumps(values)
    for read in (kit_from_toml, site_from_toml):
        with pytest.raises(ConfigError) as caught:
            read(text)
        assert "\n" not in str(caught.value)
        assert "pydantic" not in str(caught.value)


@given(st.text(max_size=60))
def test_any_text_is_a_plain_complaint(text):
    with pytest.raises(ConfigError):
        kit_from_toml(text)
