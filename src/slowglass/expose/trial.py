"""Exposures tried out with sliders: an object under tonight's sky, any setting answered at once."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from slowglass.errors import UsageError
from slowglass.expose.plan import BETWEEN_FRAMES_S, ExposurePlan, star_width_arcsec
from slowglass.expose.prospect import Prospect, prospect_of
from slowglass.expose.proxy import ProxyLight, proxy_light
from slowglass.expose.proxy_frame import pictures, trails
from slowglass.expose.suggest import STEPS_S
from slowglass.frame.picture_io import encode_jpeg
from slowglass.kit.model import Kit, Site, Wind
from slowglass.sky.place import Place

if TYPE_CHECKING:
    from slowglass.sky.store import Sky

JPEG_QUALITY = 90
KEPT_LIGHTS = 6
"""Drawn lights that are remembered (another seeing, wind or view is another light); 10 MB each."""
KEPT_PICTURES = 24
LONGEST_S = 3600.0
MOST_FRAMES = 2000
SKY_MAG = (15.0, 22.5)
SEEING_ARCSEC = (1.0, 8.0)
FRAME_STEPS = (
    *(1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100),
    *(120, 150, 200, 250, 300, 400, 500),
)
"""Numbers of frames that a slider stops at."""


@dataclass(frozen=True)
class Setting:
    """An exposure to try; None leaves the night's own value."""

    seconds: float
    frames: int
    sky_mag_arcsec2: float | None = None
    seeing_arcsec: float | None = None
    wind: Wind | None = None
    whole: bool = False
    """Show all of the frame rather than the object."""

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("seconds", self.seconds, 0.0001, LONGEST_S),
            ("frames", self.frames, 1, MOST_FRAMES),
            ("sky", self.sky_mag_arcsec2, *SKY_MAG),
            ("seeing", self.seeing_arcsec, *SEEING_ARCSEC),
        ):
            if value is not None and not low <= value <= high:
                raise UsageError(f"{name} = {value:g} is outside {low:g} to {high:g}")


@dataclass(frozen=True)
class TrialAnswer:
    """What a setting gives."""

    setting: Setting
    plan: ExposurePlan
    kept: int
    """Frames of the series that are expected to stay round."""
    snr_kept: float | None
    """Signal to noise of these together."""
    total_s: float
    """Time at the telescope, pauses included."""
    light_s: float
    """Exposure of the frames kept."""
    background_share: float
    """Sky and dark current over the charge at which a pixel clips."""
    trail_px: float
    """Trail of a usual frame, sensor pixels."""

    def to_json(self) -> dict[str, Any]:
        """Plain values for JSON."""
        found = asdict(self)
        return {**found, "plan": self.plan.to_json()}


class Trial:
    """A place at its moment with a kit; safe to ask from several threads."""

    def __init__(self, kit: Kit, site: Site, sky: Sky, prospect: Prospect) -> None:
        self.kit, self.site, self.sky, self.prospect = kit, site, sky, prospect
        self._lock = threading.Lock()
        self._lights: OrderedDict[tuple[Any, ...], ProxyLight] = OrderedDict()
        self._pictures: OrderedDict[Setting, tuple[bytes, bytes]] = OrderedDict()

    @property
    def place(self) -> Place:
        """What is exposed."""
        return self.prospect.place

    def answer(self, setting: Setting) -> TrialAnswer:
        """The numbers of a setting."""
        site, prospect = self._under(setting)
        camera = self.kit.camera
        plan = prospect.plan(
            self.kit, site, self.sky, seconds=setting.seconds, frames=setting.frames
        )
        kept = round(setting.frames * plan.keeper_fraction)
        background = plan.sky_e_per_px + plan.dark_e_per_px
        return TrialAnswer(
            setting=setting,
            plan=plan,
            kept=kept,
            snr_kept=None if plan.snr is None or not kept else plan.snr * math.sqrt(kept),
            total_s=setting.frames * (setting.seconds + BETWEEN_FRAMES_S),
            light_s=kept * setting.seconds,
            background_share=min(1.0, background / camera.saturation_e),
            trail_px=plan.trail_arcsec[1] / self.kit.scale_arcsec_per_px,
        )

    def suggested(self, setting: Setting) -> Setting:
        """The plan's own exposure and number of frames under the same sky."""
        plan = self.answer(setting).plan
        return replace(
            setting,
            seconds=plan.suggested_s,
            frames=min(plan.session.frames, MOST_FRAMES),
        )

    def jpegs(self, setting: Setting) -> tuple[bytes, bytes]:
        """A usual frame, and all the keepers together, as JPEG."""
        with self._lock:
            made = self._pictures.get(setting)
            if made is None:
                made = self._draw(setting)
                self._pictures[setting] = made
                if len(self._pictures) > KEPT_PICTURES:
                    self._pictures.popitem(last=False)
            return made

    def _draw(self, setting: Setting) -> tuple[bytes, bytes]:
        site, prospect = self._under(setting)
        light = self._light(setting, site)
        if setting.sky_mag_arcsec2 is not None:
            light = light.under(setting.sky_mag_arcsec2)
        share = self.answer(setting).plan.keeper_fraction
        path = trails(
            light,
            site,
            prospect.conditions,
            exposure_s=setting.seconds,
            star_width_arcsec=star_width_arcsec(self.kit, site),
        )
        one, every = pictures(
            light, path, exposure_s=setting.seconds, kept=max(1.0, setting.frames * share)
        )
        return encode_jpeg(one, quality=JPEG_QUALITY), encode_jpeg(every, quality=JPEG_QUALITY)

    def _light(self, setting: Setting, site: Site) -> ProxyLight:
        key = (site.seeing_arcsec, site.wind, setting.whole)
        light = self._lights.get(key)
        if light is None:
            light = proxy_light(
                self.kit,
                site,
                self.sky,
                self.place,
                conditions=self.prospect.conditions,
                when=self.prospect.when,
                whole=setting.whole,
            )
            self._lights[key] = light
            if len(self._lights) > KEPT_LIGHTS:
                self._lights.popitem(last=False)
        self._lights.move_to_end(key)
        return light

    def _under(self, setting: Setting) -> tuple[Site, Prospect]:
        """Site and prospect with the setting's sky, seeing and wind."""
        changes: dict[str, Any] = {}
        if setting.seeing_arcsec is not None:
            changes["seeing_arcsec"] = float(setting.seeing_arcsec)
        if setting.wind is not None:
            changes["wind"] = setting.wind
        prospect = self.prospect
        if setting.sky_mag_arcsec2 is not None:
            conditions = replace(prospect.conditions, sky_mag_arcsec2=setting.sky_mag_arcsec2)
            prospect = replace(prospect, conditions=conditions)
        return self.site.model_copy(update=changes), prospect


def trial_of(
    kit: Kit,
    site: Site,
    sky: Sky,
    place: Place,
    *,
    when: datetime | None = None,
    night: date,
) -> Trial:
    """The trial of a place at a moment, or at its best in the darkness of ``night``."""
    return Trial(kit, site, sky, prospect_of(kit, site, sky, place, when=when, night=night))


def second_steps() -> tuple[float, ...]:
    """Exposures that a slider stops at: the customary ones, and longer ones for fine mounts."""
    return tuple(float(step) for step in (*STEPS_S, 420, 600, 900, 1200))
