"""Own stars of frames in files: placed as judging places them, kept as solving allows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from slowglass.frame.image import Frame
from slowglass.judge.assess import HINT_RADIUS_DEG, KIT_SCALE_TOLERANCE
from slowglass.judge.prior import kit_scale_arcsec_per_px
from slowglass.progress import Report, silent
from slowglass.sky.coords import epoch_year
from slowglass.solve.own import Contribution, contribute_files
from slowglass.solve.types import Prior

if TYPE_CHECKING:
    from slowglass.kit.model import Kit
    from slowglass.sky.place import Place
    from slowglass.sky.store import Sky


def add_own_stars(
    paths: Iterable[Path],
    sky: Sky,
    *,
    near: Place | None = None,
    radius_deg: float | None = None,
    scale_arcsec_per_px: float | None = None,
    kit: Kit | None = None,
    report: Report = silent,
) -> Iterator[Contribution]:
    """What each frame gave to the own stars, or why it gave none, as each is done."""

    def prior_of(frame: Frame) -> Prior:
        scale = scale_arcsec_per_px
        if scale is None and kit is not None:
            scale = kit_scale_arcsec_per_px(kit, frame.width_px, frame.height_px)
        return Prior(
            ra_deg=near.ra_deg if near is not None else None,
            dec_deg=near.dec_deg if near is not None else None,
            radius_deg=(radius_deg or HINT_RADIUS_DEG) if near is not None else None,
            scale_arcsec_per_px=scale,
            scale_tolerance=KIT_SCALE_TOLERANCE,
            epoch_year=epoch_year(frame.header.start_utc or datetime.now(UTC)),
        )

    return contribute_files(paths, sky, prior_of, report=report)
