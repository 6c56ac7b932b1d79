"""The tables of the logbook. A change here needs a step in ``migrations/versions``."""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    UniqueConstraint,
)

metadata = MetaData()

# Times are text, ISO 8601 UTC with a final Z: they sort, and any tool can read them.

nights = Table(
    "nights",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("evening", String, nullable=False),
    Column("site", String, nullable=False),
    Column("kit", String, nullable=False),
    Column("conditions", JSON, nullable=False),
    Column("made_utc", String, nullable=False),
    UniqueConstraint("evening", "site", "kit", name="one_night"),
)

frames = Table(
    "frames",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("night_id", ForeignKey("nights.id"), nullable=False),
    Column("fingerprint", String, nullable=False, unique=True),
    Column("file", String, nullable=False),
    Column("kind", String, nullable=False),
    Column("object", String),
    Column("start_utc", String),
    Column("exposure_s", Float),
    Column("solved", Boolean, nullable=False),
    Column("keeper", Boolean, nullable=False),
    Column("ra_deg", Float),
    Column("dec_deg", Float),
    Column("altitude_deg", Float),
    Column("fwhm_arcsec", Float),
    Column("elongation", Float),
    Column("sky_mag_arcsec2", Float),
    Column("zero_point_mag", Float),
    Column("zero_point_red_mag", Float),
    Column("zero_point_blue_mag", Float),
    Column("faintest_mag", Float),
    Column("snr", Float),
    Column("verdict", JSON, nullable=False),
    Column("made_utc", String, nullable=False),
    Column("removed_utc", String),
    Index("frames_object_fwhm", "object", "fwhm_arcsec"),
    Index("frames_fwhm", "fwhm_arcsec"),
    Index("frames_file", "file"),
    Index("frames_night", "night_id"),
    Index("frames_start", "start_utc"),
    Index("frames_place", "dec_deg", "ra_deg"),
)

plans = Table(
    "plans",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("night_id", ForeignKey("nights.id"), nullable=False),
    Column("object", String, nullable=False),
    Column("plan", JSON, nullable=False),
    Column("made_utc", String, nullable=False),
    Column("removed_utc", String),
    Index("plans_object", "object"),
)

pictures = Table(
    "pictures",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("night_id", ForeignKey("nights.id")),
    Column("object", String),
    Column("file", String, nullable=False),
    Column("ra_deg", Float),
    Column("dec_deg", Float),
    Column("frames_used", Integer),
    Column("integration_s", Float),
    Column("fwhm_arcsec", Float),
    Column("caption", String, nullable=False),
    Column("result", JSON, nullable=False),
    Column("made_utc", String, nullable=False),
    Column("removed_utc", String),
    Index("pictures_object", "object"),
)

notes = Table(
    "notes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("night_id", ForeignKey("nights.id")),
    Column("object", String),
    Column("text", String, nullable=False),
    Column("made_utc", String, nullable=False),
    Column("removed_utc", String),
)

measurements = Table(
    "measurements",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kit", String, nullable=False),
    Column("site", String),
    Column("quantity", String, nullable=False),
    Column("unit", String, nullable=False),
    Column("value", Float, nullable=False),
    Column("sigma", Float),
    Column("stated", Float),
    Column("how", String, nullable=False),
    Column("sources", JSON, nullable=False),
    Column("adopted_utc", String),
    Column("made_utc", String, nullable=False),
    Column("removed_utc", String),
    Index("measurements_quantity", "kit", "quantity"),
)
