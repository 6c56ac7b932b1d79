"""Keep the frame or not, and why, in plain words with numbers.

Pure: numbers in, faults and cautions out. A single frame cannot tell everything (bad seeing from
slightly soft focus, thin cloud from a short exposure), so only what one frame does show counts
against it; the rest is a caution. :mod:`slowglass.judge.series` compares frames with each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from slowglass.expose.tracking import KEEPER_ELONGATION
from slowglass.frame.image import Kind
from slowglass.judge.shape import FEWEST_STARS
from slowglass.judge.trails import Trail, trail_length_px

FaultCode = Literal[
    "not a light",
    "blank",
    "too small",
    "no stars",
    "faint",
    "bright sky",
    "out of focus",
    "trailed",
    "cloud",
    "saturated",
]


UNMEASURED = ("bright sky", "no stars", "faint")
"""Faults that leave no shapes worth judging."""


@dataclass(frozen=True)
class Limits:
    """Where a measure counts against a frame. Defaults are working choices, open to change."""

    elongation: float = KEEPER_ELONGATION
    """A trail of about 0.9 FWHM: the eye sees it, and it costs a quarter of the peak."""
    width_over_expected: float = 1.6
    """Star width over what site and telescope should give."""
    width_arcsec: float = 9.0
    """Used without a kit, for well-sampled stars only: no usable site has such seeing."""
    sky_share: float = 0.6
    """Sky level over the clipping level."""
    saturated_share: float = 0.01
    """Share of clipped pixels: one in a hundred is far more than star cores cover."""
    catalogue_share: float = 0.5
    """Catalogue stars seen over those that should be in the frame."""
    light_loss_mag: float = 1.5
    """Three quarters of the light gone: no haze of a clear night, no usual error of a kit."""


@dataclass(frozen=True)
class Measures:
    """What was measured on one frame; NaN or None where it was not."""

    kind: Kind = "light"
    kind_ground: str = ""
    """Why it is taken for that kind, where the header does not say."""
    width_px: int = 0
    height_px: int = 0
    blank: bool = False
    stars: int = 0
    shape_stars: int = 0
    fwhm_px: float = math.nan
    elongation: float = math.nan
    scatter: float = math.nan
    radial: float = math.nan
    trail: Trail | None = None
    ring_px: float | None = None
    """Diameter of defocused star discs, where they are discs."""
    ring_has_hole: bool = False
    sky_adu: float = math.nan
    sky_rms_adu: float = math.nan
    white_adu: float = 65535.0
    saturated_fraction: float = 0.0
    saturated_stars: int = 0
    exposure_s: float | None = None
    scale_arcsec_per_px: float | None = None
    expected_fwhm_arcsec: float | None = None
    catalogue_expected: int | None = None
    catalogue_matched: int | None = None
    light_loss_mag: float | None = None
    """Magnitudes by which the stars are fainter than the kit predicts."""
    read_noise_adu: float | None = None


@dataclass(frozen=True)
class Fault:
    """One reason not to keep a frame, with the thing to do about it."""

    code: FaultCode
    text: str
    instruction: str


@dataclass(frozen=True)
class Quality:
    """Faults (most pressing first) that cost the frame its keep, and cautions that do not."""

    faults: tuple[Fault, ...]
    cautions: tuple[str, ...]

    @property
    def keeper(self) -> bool:
        """True when nothing speaks against the frame."""
        return not self.faults


def judge_quality(m: Measures, limits: Limits | None = None) -> Quality:
    """The faults and cautions of one frame."""
    limits = limits or Limits()
    if m.blank:
        text = "the picture is blank: every pixel holds the same value or none"
        return Quality((Fault("blank", text, "Check the camera: the picture is blank"),), ())
    if m.kind in ("dark", "flat", "bias"):
        text = f"this is a {m.kind} frame, not a light"
        if m.kind_ground:
            text = f"taken for a {m.kind} frame, not a light: {m.kind_ground}"
        return Quality((Fault("not a light", text, f"Keep this as a {m.kind} frame"),), ())
    if not math.isfinite(m.sky_rms_adu):
        text = f"{m.width_px} × {m.height_px} px is too small a picture to judge"
        return Quality((Fault("too small", text, "Judge whole frames, not cut-outs"),), ())

    faults = [
        fault
        for fault in (
            _bright_sky(m, limits),
            _few_stars(m),
            _faint(m),
            _focus(m, limits),
            _trailed(m, limits),
            _cloud(m, limits),
            _saturated(m, limits),
        )
        if fault is not None
    ]
    if any(fault.code in UNMEASURED for fault in faults):
        # The shapes of two or three specks, or of stars drowned in daylight, mean nothing.
        faults = [f for f in faults if f.code in (*UNMEASURED, "saturated")]
    return Quality(tuple(faults), tuple(_cautions(m, limits)))


def _bright_sky(m: Measures, limits: Limits) -> Fault | None:
    share = m.sky_adu / m.white_adu
    if not share > limits.sky_share:
        return None
    text = (
        f"the sky fills {share:.0%} of the camera's range ({m.sky_adu:.0f} of "
        f"{m.white_adu:.0f} ADU), over {limits.sky_share:.0%}"
    )
    # At or near clipping the true level is unknown: only "much shorter" is honest.
    if m.exposure_s and share < 0.95:
        advice = f"Shorten to {friendly_s(m.exposure_s * 0.25 / share)}: the sky is too bright"
    else:
        advice = "Expose much shorter, or wait: the sky is too bright"
    return Fault("bright sky", text, advice)


def _few_stars(m: Measures) -> Fault | None:
    if m.stars >= FEWEST_STARS:
        return None
    found = "no stars" if m.stars == 0 else f"only {m.stars} star{'s' if m.stars > 1 else ''}"
    return Fault(
        "no stars",
        f"{found} found, {FEWEST_STARS} needed to judge a frame: cloud, a cap, far out of focus "
        "or too short an exposure",
        "Check cap, cloud and focus, then expose longer",
    )


def _faint(m: Measures) -> Fault | None:
    if m.stars < FEWEST_STARS or m.shape_stars >= FEWEST_STARS:
        return None
    return Fault(
        "faint",
        f"of {m.stars} stars {f'only {m.shape_stars}' if m.shape_stars else 'none'} can be "
        f"measured, {FEWEST_STARS} needed to judge a frame: cloud, soft focus or too short an "
        "exposure",
        "Expose longer or refocus: stars too faint to judge",
    )


def _focus(m: Measures, limits: Limits) -> Fault | None:
    if m.ring_px is not None:
        what = "rings" if m.ring_has_hole else "discs"
        return Fault(
            "out of focus",
            f"out of focus: stars are {what} {m.ring_px:.0f} px wide, not points",
            f"Refocus: stars are {what} {m.ring_px:.0f} px wide",
        )
    if not math.isfinite(m.fwhm_px) or m.scale_arcsec_per_px is None:
        return None
    width_px = _round_fwhm_px(m)
    width = width_px * m.scale_arcsec_per_px
    if m.expected_fwhm_arcsec is not None:
        # A star cannot look narrower than about two pixels, however sharp the telescope.
        expected = max(m.expected_fwhm_arcsec, 2.0 * m.scale_arcsec_per_px)
        if width <= limits.width_over_expected * expected:
            return None
        text = f"soft: stars are {width:.1f}″ wide, {expected:.1f}″ expected here"
    elif width > limits.width_arcsec and width_px >= 6.0:
        text = f"soft: stars are {width:.1f}″ wide, wider than any usual seeing"
    else:
        return None
    return Fault("out of focus", text, f"Refocus: stars are {width_px:.0f} px wide")


def _trailed(m: Measures, limits: Limits) -> Fault | None:
    if not m.elongation > limits.elongation or m.shape_stars < FEWEST_STARS:
        return None
    trail = m.trail
    text = f"trailed: stars are {m.elongation:.2f} times as long as wide"
    along = ""
    if trail is not None:
        size = (
            f"{trail.length_arcsec:.1f}″"
            if trail.length_arcsec is not None
            else f"{trail.length_px:.1f} px"
        )
        text += f", a trail of {size}"
        if trail.axis == "between":
            text += f", {trail.along_ra_arcsec:.1f}″ of it in RA and {trail.along_dec_arcsec:.1f}″ "
            text += "in Dec (drive and polar axis, or a shift)"
        elif trail.axis is not None:
            along = f" along {trail.axis}"
            text += along
            text += " (the drive)" if trail.axis == "RA" else " (the polar axis or a shift)"
        else:
            text += "; unsolved, so its sky axis is unknown"
    if m.exposure_s and trail is not None:
        allowed = _trail_allowed_px(m, limits)
        shorter = friendly_s(m.exposure_s * min(0.9, allowed / trail.length_px))
        advice = f"Shorten to {shorter}: stars trail{along}"
    elif trail is not None and trail.axis == "Dec":
        advice = "Realign the polar axis: stars trail along Dec"
    else:
        advice = f"Expose shorter: stars trail{along}"
    return Fault("trailed", text, advice)


def _trail_allowed_px(m: Measures, limits: Limits) -> float:
    return trail_length_px(limits.elongation, _round_fwhm_px(m))


def _cloud(m: Measures, limits: Limits) -> Fault | None:
    loss = m.light_loss_mag
    if loss is not None and loss > limits.light_loss_mag:
        return Fault(
            "cloud",
            f"the stars are {loss:.1f} mag fainter than the kit should show them "
            f"({10 ** (-0.4 * loss):.0%} of the light): cloud, dew or a cap half on",
            "Look for cloud or dew: most light is missing",
        )
    expected, matched = m.catalogue_expected, m.catalogue_matched
    if expected is None or matched is None or expected < 8:
        return None
    if matched >= limits.catalogue_share * expected:
        return None
    return Fault(
        "cloud",
        f"only {matched} of the {expected} catalogue stars in this field show: cloud, dew "
        "or too short an exposure",
        "Look for cloud or dew: half the stars are missing",
    )


def _saturated(m: Measures, limits: Limits) -> Fault | None:
    if not m.saturated_fraction > limits.saturated_share:
        return None
    return Fault(
        "saturated",
        f"{m.saturated_fraction:.1%} of the pixels are clipped, over {limits.saturated_share:.0%}",
        "Expose shorter: much of the picture is clipped",
    )


def _cautions(m: Measures, limits: Limits) -> list[str]:
    notes = []
    if m.kind == "unknown":
        notes.append("the file does not say what kind of frame it is; judged as a light")
    if m.saturated_stars:
        plural = "s have" if m.saturated_stars > 1 else " has"
        notes.append(f"{m.saturated_stars} star{plural} a clipped core: colour and light are lost")
    if (
        math.isfinite(m.scatter)
        and m.shape_stars >= 8
        and m.scatter > limits.elongation
        and not m.elongation > limits.elongation
    ):
        notes.append(_pattern(m))
    if m.scale_arcsec_per_px is None and math.isfinite(m.fwhm_px) and m.ring_px is None:
        notes.append(
            f"stars are {m.fwhm_px:.1f} px wide; unsolved, so seeing and focus cannot be told apart"
        )
    loss = m.light_loss_mag
    if loss is not None and 0.8 < loss <= limits.light_loss_mag:
        notes.append(
            f"the stars are {loss:.1f} mag fainter than the kit should show them: haze, thin "
            "cloud, or a kit that lets less through than stated"
        )
    if m.read_noise_adu and m.sky_rms_adu < 1.2 * m.read_noise_adu:
        notes.append(
            "the camera's read noise outweighs the sky's: longer exposures would gain, if they hold"
        )
    return notes


def _pattern(m: Measures) -> str:
    start = f"stars are {m.scatter:.2f} times as long as wide, but in no common direction: "
    if m.radial > 0.1:
        return start + "they point at the centre (coma or spacing)"
    if m.radial < -0.1:
        return start + "they run around the centre (the field turned)"
    return start + "noise or optics, not the drive"


def _round_fwhm_px(m: Measures) -> float:
    """The width a trailed star would have without its trail."""
    stretched = m.elongation if math.isfinite(m.elongation) else 1.0
    return m.fwhm_px / math.sqrt(stretched)


def friendly_s(seconds: float) -> str:
    """An exposure as one sets it, rounded down: "30 s", "0.5 s", "2 min"."""
    steps = (0.1, 0.2, 0.5, 1, 2, 3, 5, 8, 10, 15, 20, 25, 30, 40, 45, 50, 60, 75, 90, 120, 150,
             180, 240, 300, 420, 600, 900)  # fmt: skip
    below = [s for s in steps if s <= seconds * 1.001]
    chosen = below[-1] if below else steps[0]
    return f"{chosen // 60} min" if chosen >= 120 and chosen % 60 == 0 else f"{chosen:g} s"
