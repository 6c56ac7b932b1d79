"""The second edition: zero points of red and blue, and how faint a frame reaches."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2"
down_revision: str | None = "1"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; frames logged before keep them empty until judged again."""
    for name in ("zero_point_red_mag", "zero_point_blue_mag", "faintest_mag"):
        op.add_column("frames", sa.Column(name, sa.Float))
