"""The frames of the example night: rendered, and written as a camera would, without coordinates."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from slowglass.demo.scenario import (
    CALIBRATION,
    CAMERA_ANGLE_DEG,
    SATELLITE_MAG,
    SEED,
    Aim,
    Shot,
    dirty_mount,
)

if TYPE_CHECKING:
    from slowglass.frame.image import Frame
    from slowglass.kit.model import Kit, Site
    from slowglass.sky.objects import SkyObject
    from slowglass.sky.store import Sky


class Writer:
    """Writes frames in a second thread while the next one is rendered; at most two wait."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(max_workers=1)
        self._waiting: list[Future[Any]] = []

    def __enter__(self) -> Writer:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._pool.shutdown(wait=True)
        if error is None:
            for future in self._waiting:
                future.result()

    def put(self, path: Path, frame: Frame) -> None:
        """Queue a frame as 16-bit FITS."""
        from slowglass.frame.fits_io import write_fits

        while len(self._waiting) >= 2:
            self._waiting.pop(0).result()
        self._waiting.append(
            self._pool.submit(
                write_fits, path, frame.pixels, cards=frame.header.cards, dtype="uint16"
            )
        )


def render_aim(
    kit: Kit,
    site: Site,
    sky: Sky,
    target: SkyObject,
    aim: Aim,
    *,
    exposure_s: float,
    when: datetime,
    seed: int,
    **changes: Any,
) -> Frame:
    """One exposure of the night with the telescope at an aim."""
    from slowglass.expose.forecast import render_forecast

    return render_forecast(
        kit,
        site,
        sky,
        target,
        exposure_s=exposure_s,
        when=when,
        rotation_deg=CAMERA_ANGLE_DEG,
        offset_arcsec=(aim.east_arcsec, aim.north_arcsec),
        seed=seed,
        camera_seed=SEED,
        **changes,
    )


def render_shot(
    kit: Kit, site: Site, sky: Sky, target: SkyObject, shot: Shot, *, exposure_s: float
) -> Frame:
    """One light, with its mishap if it has one."""
    return render_aim(
        dirty_mount(kit) if shot.trailed else kit,
        site,
        sky,
        target,
        shot.aim,
        exposure_s=exposure_s,
        when=shot.start_utc,
        seed=shot.seed,
        worm_phase_rad=shot.worm_phase_rad,
        satellite_mag=SATELLITE_MAG if shot.satellite else None,
    )


def calibration_frames(
    kit: Kit, site: Site, *, exposure_s: float, after: datetime
) -> list[tuple[str, int, datetime]]:
    """(kind, number, start) of every dark, flat and bias, taken one after the other."""
    plan = []
    moment = after
    for kind, count in CALIBRATION.items():
        for number in range(1, count + 1):
            plan.append((kind, number, moment))
            moment += timedelta(seconds=(exposure_s if kind == "dark" else 1.0) + 4.0)
    return plan


def render_calibration(
    kit: Kit, site: Site, kind: str, number: int, start: datetime, *, exposure_s: float
) -> Frame:
    """One dark, flat or bias frame of the same camera."""
    from slowglass.expose import calibration

    common: dict[str, Any] = {
        "seed": SEED * 1000 + ["dark", "flat", "bias"].index(kind) * 100 + number,
        "camera_seed": SEED,
        "start": start,
        "temperature_c": site.temperature_c,
    }
    if kind == "dark":
        return calibration.render_dark(kit, exposure_s=exposure_s, **common)
    if kind == "flat":
        return calibration.render_flat(kit, **common)
    return calibration.render_bias(kit, **common)
