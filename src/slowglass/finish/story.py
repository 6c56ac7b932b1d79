"""What a finished picture has to tell: how it came about, how good it is, what would help most."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from slowglass.finish.colour import ColourFit
from slowglass.finish.combined import Combined
from slowglass.finish.gradient import SkySurface
from slowglass.finish.known import Scene
from slowglass.finish.quiet import layers_of
from slowglass.frame.caption import Caption

TRAILED = 1.2
MOST_SAMPLED = 1_000_000
LOST_WORTH_TELLING = 1.03


@dataclass(frozen=True)
class Advice:
    """Something that would improve the picture: by what factor of signal to noise, and how."""

    factor: float | None
    text: str


@dataclass(frozen=True)
class Story:
    """The facts of a picture; None where not measured."""

    title: str
    frames_used: int
    frames_in: int
    exposure_s: float | None
    total_s: float | None
    start_utc: datetime | None
    scale_arcsec_per_px: float | None
    field_arcmin: tuple[float, float] | None
    fwhm_px: float | None
    fwhm_arcsec: float | None
    object_snr: float | None
    """Mean light in the inner half of the subject's outline over the noise, a star's area."""
    snr_gain: float | None
    sky_shape: str
    sky_span_adu: float | None
    sky_scatter_adu: float | None
    colour_how: str
    colour_stars: int
    colour_rms_mag: float | None
    camera: str | None
    advice: tuple[Advice, ...]
    object_light_error: float | None = None
    """1 σ share of the object's light that the sky beneath it leaves open."""
    sky_told: bool = True
    """False where the object leaves too little sky to tell the two apart."""

    def of_size(self, height_px: int, width_px: int) -> Story:
        """The same told of a cut of that size."""
        scale = self.scale_arcsec_per_px
        field = None if scale is None else (width_px * scale / 60.0, height_px * scale / 60.0)
        return replace(self, field_arcmin=field)

    def caption(self) -> Caption:
        """The caption that goes into the picture files."""
        return Caption(self.title, self.facts(), self.start_utc, self.total_s)

    def facts(self) -> str:
        """Frames, light gathered, scale and field on one line."""
        parts = [frames_text(self.frames_used, self.exposure_s)]
        if self.frames_used > 1 and self.total_s:
            parts[0] += f" = {time_text(self.total_s)}"
        if self.start_utc is not None:
            parts.append(f"{self.start_utc:%Y-%m-%d %H:%M} UTC")
        if self.field_arcmin is not None:
            parts.append(f"{self.field_arcmin[0]:.0f}′ × {self.field_arcmin[1]:.0f}′")
        if self.scale_arcsec_per_px is not None:
            parts.append(f"{self.scale_arcsec_per_px:.2f}″ a pixel")
        return " · ".join(parts)


def frames_text(count: int, exposure_s: float | None) -> str:
    """ "7 × 30 s" or "1 frame"."""
    if exposure_s:
        return f"{count} × {exposure_s:g} s"
    return "1 frame" if count == 1 else f"{count} frames"


def time_text(seconds: float) -> str:
    """Seconds, minutes or hours, to two figures or so."""
    if seconds < 120:
        return f"{seconds:g} s"
    return f"{seconds / 60:.3g} min" if seconds < 7200 else f"{seconds / 3600:.2g} h"


def tell(
    combined: Combined,
    whole: Scene,
    shape: tuple[int, int],
    sky: SkySurface | None,
    colour: ColourFit,
    *,
    title: str = "",
) -> Story:
    """The story of a picture; ``whole`` is its scene before the cut, ``shape`` the cut's."""
    header = combined.reference.header
    exposures = [light.header.exposure_s for light in combined.used]
    known = [e for e in exposures if e]
    starts = [light.header.start_utc for light in combined.used if light.header.start_utc]
    scale = None if whole.wcs is None else whole.wcs.scale_arcsec_per_px
    fwhm = _or_none(combined.stars.fwhm_px)
    field = None
    if scale is not None:
        field = (shape[1] * scale / 60.0, shape[0] * scale / 60.0)
    return Story(
        title=title or whole.subject_name or (header.object_name or "").strip(),
        frames_used=len(combined.used),
        frames_in=len(combined.lights),
        exposure_s=float(np.median(known)) if known else None,
        total_s=float(sum(known)) if known else None,
        start_utc=min(starts) if starts else None,
        scale_arcsec_per_px=scale,
        field_arcmin=field,
        fwhm_px=fwhm,
        fwhm_arcsec=fwhm * scale if fwhm is not None and scale is not None else None,
        object_snr=_object_snr(combined, whole),
        snr_gain=_or_none(combined.snr_gain),
        sky_shape="left on" if sky is None else sky.shape,
        sky_span_adu=None if sky is None else sky.span_adu,
        sky_scatter_adu=None if sky is None else sky.scatter_adu,
        colour_how=colour.how if combined.picture.ndim == 3 else "plain",
        colour_stars=colour.stars,
        colour_rms_mag=_or_none(colour.rms_mag),
        camera=header.camera,
        advice=tuple(advise(combined)),
        object_light_error=None if sky is None else _light_error(sky, whole),
        sky_told=sky is None or sky.told,
    )


def _light_error(sky: SkySurface, scene: Scene) -> float | None:
    subject = scene.subject
    named = [one for one in sky.hidden if subject is not None and one.name == subject.name]
    return named[0].share if named else None


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _object_snr(combined: Combined, scene: Scene) -> float | None:
    subject, fwhm = scene.subject, combined.stars.fwhm_px
    if subject is None or not np.isfinite(fwhm):
        return None
    picture = combined.picture
    height, width = picture.shape[:2]
    reach = 0.5 * subject.long_px
    x0, x1 = int(max(0, subject.x_px - reach)), int(min(width, subject.x_px + reach + 1))
    y0, y1 = int(max(0, subject.y_px - reach)), int(min(height, subject.y_px + reach + 1))
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None
    # of a large object every so manyth pixel tells the mean as well
    step = int(np.ceil(np.sqrt((y1 - y0) * (x1 - x0) / MOST_SAMPLED)))
    part = layers_of(picture[y0:y1:step, x0:x1:step])[0]
    y, x = np.ogrid[y0:y1:step, x0:x1:step]
    light = float(np.mean(part[subject.depth(x, y) <= 0.5]))
    sky = np.asarray(combined.noise.sky_adu)
    weights = np.array([1.0]) if picture.ndim == 2 else np.array([0.25, 0.5, 0.25])
    sigma = float(np.sqrt(np.sum((weights * sky) ** 2)))
    # a star's area holds so many pixels, whose noise neighbours share through interpolation
    pixels = np.pi / 4.0 * fwhm**2
    blend = float(np.mean(combined.noise.blend))
    return light * np.sqrt(pixels) / (sigma * blend) if sigma > 0 else None


def advise(combined: Combined) -> list[Advice]:
    """What would improve the picture, the most helpful first."""
    used, lights = len(combined.used), len(combined.lights)
    exposure = combined.reference.header.exposure_s
    more = f" ({time_text(used * exposure)} more)" if exposure else ""
    if used == 1:
        found = [Advice(2.0, "Four frames in place of one: half the noise.")]
    else:
        text = f"Twice as many frames{more}: noise falls with the root of their number."
        found = [Advice(2**0.5, text)]
    if lights > used:
        share = (lights / used) ** 0.5
        if share > LOST_WORTH_TELLING:
            lost = lights - used
            word = "frame was" if lost == 1 else "frames were"
            found.append(Advice(share, f"{lost} {word} left out; the reasons are listed below."))
    widths = [light.look.fwhm_px for light in combined.used if light.look is not None]
    widths = [w for w in widths if np.isfinite(w)]
    if len(widths) >= 3:
        middle, best = float(np.median(widths)), float(np.min(widths))
        if middle / best > 1.15:
            found.append(
                Advice(
                    middle / best,
                    f"All frames as sharp as the best ({best:.1f} px against {middle:.1f} px): "
                    "check focus through the night, wait for steadier air.",
                )
            )
    found += _exposure_advice(combined)
    trailed = combined.stars.sound.elongation
    if np.isfinite(trailed).sum() >= 5 and float(np.nanmedian(trailed)) > TRAILED:
        found.append(
            Advice(
                float(np.nanmedian(trailed)) ** 0.5,
                "Stars are drawn out: shorter exposures, or the polar axis set better.",
            )
        )
    found.sort(key=lambda one: -(one.factor or 0.0))
    text = " ".join(combined.notes).lower()
    for word, benefit in (
        ("flat", "Flats: even light to the corners and no dust shadows."),
        ("dark", "Darks of the same exposure and ISO: no hot pixels and no glow of the sensor."),
    ):
        if f"no {word}" in text:
            found.append(Advice(None, benefit))
    return found


def _exposure_advice(combined: Combined) -> list[Advice]:
    """Longer exposures, where reading the sensor makes a good part of the noise."""
    header = combined.reference.header
    gain, read = header.gain_e_per_adu, header.read_noise_e
    if not gain or not read or not header.exposure_s:
        return []
    green = len(combined.noise.sky_adu) // 2
    # interpolation lowers a pixel's noise by as much as it shares with its neighbours
    frame_noise = combined.noise.sky_adu[green] * combined.noise.blend[green]
    frame_noise *= len(combined.used) ** 0.5
    share = min(0.95, (read / gain / frame_noise) ** 2) if frame_noise > 0 else 0.0
    if share < 0.2:
        return []
    return [
        Advice(
            (1.0 / (1.0 - share)) ** 0.5,
            f"Longer exposures: reading the sensor makes about {100 * share:.0f} % of the noise's "
            "power. As long as the mount keeps stars round.",
        )
    ]
