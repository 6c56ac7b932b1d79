"""The first edition: nights, frames, plans, pictures, notes, measurements.

Spelt out rather than taken from ``schema.py``, which moves on while old files do not.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "1"
down_revision: str | None = None
branch_labels = None
depends_on = None


def _key() -> sa.Column[int]:
    return sa.Column("id", sa.Integer, primary_key=True)


def _text(name: str, *, needed: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.String, nullable=not needed)


def _numbers(*names: str) -> list[sa.Column[float]]:
    return [sa.Column(name, sa.Float) for name in names]


def _json(name: str) -> sa.Column[object]:
    return sa.Column(name, sa.JSON, nullable=False)


def _night(*, needed: bool) -> sa.Column[int]:
    return sa.Column("night_id", sa.Integer, sa.ForeignKey("nights.id"), nullable=not needed)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "nights",
        _key(),
        _text("evening", needed=True),
        _text("site", needed=True),
        _text("kit", needed=True),
        _json("conditions"),
        _text("made_utc", needed=True),
        sa.UniqueConstraint("evening", "site", "kit", name="one_night"),
    )
    op.create_table(
        "frames",
        _key(),
        _night(needed=True),
        sa.Column("fingerprint", sa.String, nullable=False, unique=True),
        _text("file", needed=True),
        _text("kind", needed=True),
        _text("object"),
        _text("start_utc"),
        *_numbers("exposure_s"),
        sa.Column("solved", sa.Boolean, nullable=False),
        sa.Column("keeper", sa.Boolean, nullable=False),
        *_numbers("ra_deg", "dec_deg", "altitude_deg", "fwhm_arcsec", "elongation"),
        *_numbers("sky_mag_arcsec2", "zero_point_mag", "snr"),
        _json("verdict"),
        _text("made_utc", needed=True),
        _text("removed_utc"),
    )
    op.create_index("frames_object_fwhm", "frames", ["object", "fwhm_arcsec"])
    op.create_index("frames_fwhm", "frames", ["fwhm_arcsec"])
    op.create_index("frames_file", "frames", ["file"])
    op.create_index("frames_night", "frames", ["night_id"])
    op.create_index("frames_start", "frames", ["start_utc"])
    op.create_index("frames_place", "frames", ["dec_deg", "ra_deg"])
    op.create_table(
        "plans",
        _key(),
        _night(needed=True),
        _text("object", needed=True),
        _json("plan"),
        _text("made_utc", needed=True),
        _text("removed_utc"),
    )
    op.create_index("plans_object", "plans", ["object"])
    op.create_table(
        "pictures",
        _key(),
        _night(needed=False),
        _text("object"),
        _text("file", needed=True),
        *_numbers("ra_deg", "dec_deg"),
        sa.Column("frames_used", sa.Integer),
        *_numbers("integration_s", "fwhm_arcsec"),
        _text("caption", needed=True),
        _json("result"),
        _text("made_utc", needed=True),
        _text("removed_utc"),
    )
    op.create_index("pictures_object", "pictures", ["object"])
    op.create_table(
        "notes",
        _key(),
        _night(needed=False),
        _text("object"),
        _text("text", needed=True),
        _text("made_utc", needed=True),
        _text("removed_utc"),
    )
    op.create_table(
        "measurements",
        _key(),
        _text("kit", needed=True),
        _text("site"),
        _text("quantity", needed=True),
        _text("unit", needed=True),
        sa.Column("value", sa.Float, nullable=False),
        *_numbers("sigma", "stated"),
        _text("how", needed=True),
        _json("sources"),
        _text("adopted_utc"),
        _text("made_utc", needed=True),
        _text("removed_utc"),
    )
    op.create_index("measurements_quantity", "measurements", ["kit", "quantity"])
