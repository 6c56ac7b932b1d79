"""What a person wrote into a kit's or site's file stays there when the program changes a value."""

from __future__ import annotations

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from slowglass.kit.io import kit_from_toml, load_kit, load_site, site_from_toml, write_kit
from slowglass.kit.keep import keep
from slowglass.kit.measured import put_aside, take_in
from slowglass.kit.model import Eyepiece, Kit, MeasuredValue, Site, Stand
from slowglass.kit.rewrite import rewritten
from slowglass.kit.toml_text import fresh_text

BY_HAND = """\
# Bought in spring.   Keep the box!
name = "mine"            # the short one
price = 420

[optics]   # measured with a ruler
aperture_mm = 80
focal_length_mm=600.0# from the cell

# The old body, battery grip off.
[camera]
width_px = 4000
height_px = 3000
pixel_um = 4.2
bayer = "RGGB"  # checked on a red lamp
gain_e_per_adu = 1.1
read_noise_e = 3.5
full_well_e = 20_000.0

[mount]
driven = "ra"
worm_teeth = 144
periodic_error_arcsec = 18
polar_error_arcmin = 10
polar_error_direction_deg = 90

[finder]
kind = "red-dot"
field_deg = 20

# --- eyepieces ---
# from the club's sale
[[eyepieces]]
focal_length_mm = 25 # the good one
apparent_field_deg = 50

[[eyepieces]]
focal_length_mm = 10
apparent_field_deg = 52
# the last line
"""

SITE_BY_HAND = """\
name = "yard"
latitude_deg = 44.2
longitude_deg = 0.62
timezone = "Europe/Paris"
sky_mag_arcsec2 = 20.3  # by the meter of the club
# extinction_mag = 0.25
light_domes = [
  [225, 60, 1.5],  # the town
  [90, 40, 0.7],   # the greenhouses, gone in winter
]
# Stood at the table with a compass:
horizon = [[0, 10], [90, 20],
           [180, 5]]
"""


def comments(text: str) -> list[str]:
    return [line[line.index("#") :].strip() for line in text.splitlines() if "#" in line]


def by_hand() -> Kit:
    return kit_from_toml(BY_HAND)


def changed(record: Kit | Site, **values: object) -> Kit | Site:
    return type(record).model_validate({**record.model_dump(), **values})


def test_one_value_changes_one_line():
    kit = by_hand()
    camera = kit.camera.model_copy(update={"read_noise_e": 2.9})
    text = rewritten(BY_HAND, kit, kit.model_copy(update={"camera": camera}))
    assert text == BY_HAND.replace("read_noise_e = 3.5", "read_noise_e = 2.9")


def test_a_note_behind_the_value_stays():
    kit = by_hand()
    camera = kit.camera.model_copy(update={"bayer": "GBRG"})
    text = rewritten(BY_HAND, kit, kit.model_copy(update={"camera": camera, "name": "a # b"}))
    assert 'bayer = "GBRG"  # checked on a red lamp' in text
    assert 'name = "a # b"            # the short one' in text


def test_adopting_and_putting_aside_leave_the_persons_notes():
    kit = by_hand()
    value = MeasuredValue(
        quantity="optics.transmission", value=0.71, sigma=0.02, day="2026-10-12", how="9 frames"
    )
    taken = take_in(kit, value)
    text = rewritten(BY_HAND, kit, taken)
    assert kit_from_toml(text) == taken
    for line in BY_HAND.splitlines():
        assert line in text.splitlines()
    # The new key stands in its section, under what it means.
    lines = text.splitlines()
    assert lines.index("transmission = 0.71") < lines.index("[camera]")
    assert text.count("[[measured]]") == 1
    back = put_aside(taken, "optics.transmission")
    again = rewritten(text, taken, back)
    assert kit_from_toml(again) == back
    assert "in_use = false" in again
    for line in BY_HAND.splitlines():
        assert line in again.splitlines()


def test_a_key_put_out_of_use_and_an_example_brought_into_use():
    kit = by_hand()
    mono = kit.model_copy(update={"camera": kit.camera.model_copy(update={"bayer": None})})
    text = rewritten(BY_HAND, kit, mono)
    assert '# bayer = "RGGB"  # checked on a red lamp' in text
    site = site_from_toml(SITE_BY_HAND)
    hazy = site.model_copy(update={"extinction_mag": 0.31})
    text = rewritten(SITE_BY_HAND, site, hazy)
    assert text == SITE_BY_HAND.replace("# extinction_mag = 0.25", "extinction_mag = 0.31")


def test_lists_over_several_lines_stay_until_they_change():
    site = site_from_toml(SITE_BY_HAND)
    text = rewritten(SITE_BY_HAND, site, changed(site, horizon=((0.0, 12.5),)))
    assert "# the greenhouses, gone in winter" in text
    assert "horizon = [[0.0, 12.5]]" in text
    assert "[180, 5]" not in text
    assert "# Stood at the table with a compass:" in text


def test_eyepieces_come_and_go_with_their_notes():
    kit = by_hand()
    new = Eyepiece(focal_length_mm=15.0, apparent_field_deg=60.0)
    more = kit.model_copy(update={"eyepieces": (kit.eyepieces[1], kit.eyepieces[0], new)})
    text = rewritten(BY_HAND, kit, more)
    assert kit_from_toml(text) == more
    assert "# the good one" in text
    one = kit.model_copy(update={"eyepieces": kit.eyepieces[:1]})
    text = rewritten(BY_HAND, kit, one)
    assert kit_from_toml(text) == one
    assert "# from the club's sale" in text
    assert kit_from_toml(rewritten(text, one, changed(kit, eyepieces=()))).eyepieces == ()


def test_a_section_that_was_left_out_is_added():
    kit = by_hand()
    stand = kit.model_copy(update={"stand": Stand(leg_length_mm=700.0)})
    text = rewritten(BY_HAND, kit, stand)
    assert kit_from_toml(text) == stand
    assert text.startswith(BY_HAND)


@pytest.mark.parametrize(
    "text",
    [
        BY_HAND.replace('[finder]\nkind = "red-dot"\nfield_deg = 20\n', "").replace(
            "price = 420", 'finder = { kind = "red-dot", field_deg = 20 } # on the rail'
        ),
        BY_HAND.replace('[finder]\nkind = "red-dot"\nfield_deg = 20\n', "").replace(
            "price = 420", 'finder.kind = "red-dot"\nfinder.field_deg = 20 # on the rail'
        ),
    ],
    ids=["table on one line", "dotted keys"],
)
def test_other_ways_to_write_a_section(text):
    kit = kit_from_toml(text)
    wide = kit.model_copy(update={"finder": kit.finder.model_copy(update={"field_deg": 30.0})})
    made = rewritten(text, kit, wide)
    assert kit_from_toml(made) == wide
    assert comments(made) == comments(text)


def test_the_file_is_only_touched_where_it_changed(tmp_path):
    path = tmp_path / "kit.toml"
    path.write_text(BY_HAND, encoding="utf-8")
    kit = load_kit(path)
    write_kit(kit, path, replace=True)
    assert path.read_text(encoding="utf-8") == BY_HAND
    renamed = kit.model_copy(update={"name": "yours"})
    keep(renamed, path, editing="mine")
    assert path.read_text(encoding="utf-8") == BY_HAND.replace('"mine"', '"yours"')


def test_another_kits_notes_are_not_taken_over(tmp_path):
    path = tmp_path / "kit.toml"
    path.write_text(BY_HAND, encoding="utf-8")
    other = load_kit("long 102")
    _, aside = keep(other, path)
    assert aside.read_text(encoding="utf-8") == BY_HAND
    assert path.read_text(encoding="utf-8") == fresh_text(
        other, "A telescope, its camera and its mount."
    )


NOTE = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cs", "Cc", "Zl", "Zp"]), max_size=20
)


@given(
    notes=st.lists(st.tuples(st.integers(0, 200), NOTE), max_size=8),
    aperture_mm=st.floats(20, 2000),
    seeing=st.sampled_from(["RGGB", "GBRG", None]),
    eyepieces=st.lists(st.floats(2, 60), max_size=4),
    measured=st.booleans(),
)
def test_every_comment_line_survives_any_change(notes, aperture_mm, seeing, eyepieces, measured):
    kit = load_kit("long 102")
    lines = fresh_text(kit, "A kit.").splitlines()
    written = [f"#{number}: {note}" for number, (_, note) in enumerate(notes)]
    # Notes on an eyepiece go when the eyepiece goes: they are put before these blocks.
    last = next(i for i, line in enumerate(lines) if line == "[[eyepieces]]") - 2
    for (where, _), note in zip(notes, written, strict=True):
        lines.insert(where % last, note)
    text = "\n".join(lines) + "\n"
    made = kit.model_copy(
        update={
            "optics": kit.optics.model_copy(update={"aperture_mm": aperture_mm}),
            "camera": kit.camera.model_copy(update={"bayer": seeing}),
            "eyepieces": tuple(
                Eyepiece(focal_length_mm=f, apparent_field_deg=50.0) for f in eyepieces
            ),
        }
    )
    if measured:
        made = take_in(
            made,
            MeasuredValue(quantity="camera.read_noise_e", value=2.5, day="2026-11-01", how="x # y"),
        )
    again = rewritten(text, kit, made)
    assert again is not None
    assert kit_from_toml(again) == made
    found = again.splitlines()
    assert [line for line in found if line in written] == [
        line for line in text.splitlines() if line in written
    ]


def test_the_built_in_files_can_be_rewritten():
    for record in (load_kit("long 102"), load_site("Fig Tree Yard"), load_site("Karri Flat")):
        text = fresh_text(record, "A title.")
        assert rewritten(text, record, record) == text
        assert type(record).model_validate(tomlkit.parse(text).unwrap()) == record
