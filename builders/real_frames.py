"""Real frames with known answers: where they are, how they are stripped, what must come out.

Shared by ``builders/real_frames_table.py``, which writes ``docs/real-frames.md``, and by
``tests/judge/test_real_frames.py``, which holds the answers to their limits. The frames are
public test data of open repositories and are not part of the project: they are read from a
folder ``shared/frames`` beside the checkout, or from ``SLOWGLASS_FRAMES``.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

ROOT = Path(__file__).resolve().parents[1]

KEPT_CARDS = (
    "IMAGETYP", "OBSTYPE", "EXPTIME", "EXPOSURE", "DATE-OBS", "UTC-OBS", "UT", "BSCALE", "BZERO",
    "BLANK", "XPIXSZ", "YPIXSZ", "CCD-TEMP", "FILTER", "GAIN", "EGAIN", "RDNOISE",
)  # fmt: skip
"""Cards a camera writes. Every other one goes, and with it any trace of a solution."""

PLEIADES = "pleiades_dss1_1p65deg.fits"
M67 = "m67_poss1_0p5deg.fits"
HORSEHEAD = "horsehead_serc_er_0p25deg.fits"
M101 = "m101_poss1_0p25deg.fits"
ONE_METRE = tuple(f"lowell42in_5945_light_300s_{n}.fits.gz" for n in ("0135", "0150", "0165"))
M13 = tuple(f"m13_blue_5s_{n:04d}.fits.gz" for n in range(1, 6))
FOURTEEN_INCH = ("umd14in_st8_fov_30s.fits.gz", "umd14in_st8_light_300s_001.fits.gz")
CALIBRATION = {
    "lowell42in_zero_0001.fits.gz": "bias",
    "lowell42in_zero_0002.fits.gz": "bias",
    "lowell42in_flat_0110.fits.gz": "flat",
    "lowell42in_flat_0112.fits.gz": "flat",
    "umd14in_st8_bias_001.fits.gz": "bias",
    "umd14in_st8_dark_300s_001.fits.gz": "dark",
    "umd14in_st8_flat_001.fits.gz": "flat",
}
COLOUR_CHART = "rggb_colour_chart.dng"


def label(file: str) -> str:
    """A file's name by what took it, for tables."""
    stem = file.split(".")[0]
    for prefix, name in (
        ("lowell42in_5945_light_300s_", "1.07 m light "),
        ("lowell42in_", "1.07 m "),
        ("umd14in_st8_", "14-inch "),
        ("m13_blue_5s_", "M13, 5 s, "),
    ):
        if stem.startswith(prefix):
            return name + stem.removeprefix(prefix).replace("_", " ")
    return stem


def frames_folder() -> Path | None:
    """The folder of real frames, or None where there is none."""
    folder = Path(os.environ.get("SLOWGLASS_FRAMES") or ROOT.parent / "shared" / "frames")
    return folder if (folder / PLEIADES).is_file() else None


def finish_sets() -> dict[str, tuple[str, ...]]:
    """The series that are finished, each with its calibration frames."""
    one_metre = tuple(f for f in CALIBRATION if f[:4] == ONE_METRE[0][:4])
    fourteen_inch = tuple(f for f in CALIBRATION if f[:4] == FOURTEEN_INCH[0][:4])
    return {
        "1.07 m, three lights, two flats, two bias": ONE_METRE + one_metre,
        "small telescope, five faint 5 s lights": M13,
        "14-inch, two unlike lights, dark, flat, bias": FOURTEEN_INCH + fourteen_inch,
    }


Rearrange = Callable[[np.ndarray], np.ndarray]


def as_it_is(pixels: np.ndarray) -> np.ndarray:
    """The pixels, untouched."""
    return pixels


def mirrored(pixels: np.ndarray) -> np.ndarray:
    """Left and right exchanged."""
    return pixels[:, ::-1]


def quarter_turns(count: int) -> Rearrange:
    """Turned by ``count`` right angles."""
    return lambda pixels: np.rot90(pixels, count)


def turned_37(pixels: np.ndarray) -> np.ndarray:
    """Turned by 37° about its centre, same size; the bare corners get noise like the sky's."""
    from scipy.ndimage import rotate

    whole = pixels.astype(np.float64)
    middle = float(np.median(whole))
    spread = 1.4826 * float(np.median(np.abs(whole - middle)))
    turned = rotate(whole, 37.0, reshape=False, order=3, cval=np.nan)
    noise = np.random.default_rng(37).normal(middle, spread, turned.shape)
    filled = np.where(np.isfinite(turned), turned, noise)
    return np.clip(np.round(filled), -32768, 32767).astype(np.int16)


def turned_37_cut(pixels: np.ndarray) -> np.ndarray:
    """Turned by 37° and cut to the largest square without bare corners."""
    turned = turned_37(pixels)
    side = int(min(pixels.shape) / (np.cos(np.radians(37.0)) + np.sin(np.radians(37.0))))
    # An even cut from both sides keeps the centre where it is.
    margin = (min(pixels.shape) - side + 1) // 2
    return turned[margin:-margin, margin:-margin]


def quadrant(right: bool, upper: bool) -> Rearrange:
    """One quarter of the picture (upper: the higher row numbers)."""

    def cut(pixels: np.ndarray) -> np.ndarray:
        rows, columns = (n // 2 for n in pixels.shape)
        return pixels[rows:, :][:, columns:] if upper and right else (
            pixels[rows:, :columns] if upper else pixels[:rows, columns:] if right
            else pixels[:rows, :columns]
        )  # fmt: skip

    return cut


def stripped_copy(source: Path, out: Path, rearrange: Rearrange = as_it_is) -> Path:
    """A copy whose header says only what a camera says: stored numbers and scaling kept."""
    with fits.open(source, do_not_scale_image_data=True) as opened:
        header = opened[0].header
        pixels = rearrange(opened[0].data)
        kept = {key: header[key] for key in KEPT_CARDS if key in header}
    copy = fits.PrimaryHDU(np.ascontiguousarray(pixels))
    for key, value in kept.items():
        copy.header[key] = value
    out.parent.mkdir(parents=True, exist_ok=True)
    copy.writeto(out, overwrite=True, output_verify="silentfix+ignore")
    return out


@dataclass(frozen=True)
class Truth:
    """Where a frame's centre really is, its pixel scale, and the mirror sign where known."""

    ra_deg: float
    dec_deg: float
    scale_arcsec_per_px: float
    parity: int | None = None


@dataclass(frozen=True)
class Case:
    """One frame, one way of asking, and what must come out."""

    name: str
    file: str
    prior_text: str
    options: dict[str, Any] = field(default_factory=dict)
    """``near`` as text, ``radius_deg``, ``scale_arcsec_per_px``."""
    rearrange: Rearrange = as_it_is
    truth: Truth | None = None
    must: str = "either"
    """"solve", "refuse", or "either" (then at least: never wrong)."""
    tolerance_px: float = 3.0


def centre_error_px(truth: Truth, ra_deg: float, dec_deg: float) -> float:
    """Distance of a solved centre from the truth, in frame pixels."""
    from slowglass.sky.coords import separation_deg

    apart = float(separation_deg(truth.ra_deg, truth.dec_deg, ra_deg, dec_deg))
    return apart * 3600.0 / truth.scale_arcsec_per_px


def one_metre_truth(path: Path) -> Truth:
    """The header's own solution (numbers stored as text, TAN with distortion terms)."""
    header = fits.getheader(path)
    kept = fits.Header()
    for key in header:
        if key.startswith(("CTYPE", "CRVAL", "CRPIX", "CD1_", "CD2_", "PV1_", "PV2_")):
            value = header[key]
            kept[key] = value if key.startswith("CTYPE") else float(value)
    kept["NAXIS"], kept["NAXIS1"], kept["NAXIS2"] = 2, header["NAXIS1"], header["NAXIS2"]
    centre = [((header["NAXIS1"] - 1) / 2, (header["NAXIS2"] - 1) / 2)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        (place,) = WCS(kept).all_pix2world(centre, 0)
    return Truth(float(place[0]), float(place[1]), 1.107, -1)


def pleiades_quadrant_truth(right: bool, upper: bool) -> Truth:
    """The centre of one quarter, from the plate's corrected centre and the header's CD matrix."""
    from slowglass.sky.wcs import TanWcs

    whole = PLEIADES_TRUTH
    plate = TanWcs(
        whole.ra_deg,
        whole.dec_deg,
        437.0,
        437.0,
        ((-0.00188528106, 4.64238235e-05), (4.64238235e-05, 0.00188528106)),
    )
    # 875 px: the lower half has rows 0…436, the upper 437…874.
    x, y = (655.5 if right else 218.0), (655.5 if upper else 218.0)
    ra, dec = plate.pixel_to_sky(x, y)
    return Truth(float(ra), float(dec), whole.scale_arcsec_per_px, whole.parity)


PLEIADES_TRUTH = Truth(56.7470, 24.1196, 6.789, -1)
M67_TRUTH = Truth(132.8337, 11.8121, 1.700, -1)


def solve_cases(folder: Path) -> list[Case]:
    """Every solve tried on the real frames, in the order of the table."""
    m45 = {"near": "M45", "radius_deg": 5.0}
    cases = [
        Case("Pleiades plate", PLEIADES, "whole sky", {}, truth=PLEIADES_TRUTH, must="solve"),
        Case("Pleiades plate", PLEIADES, "within 5° of M45", m45, truth=PLEIADES_TRUTH,
             must="solve"),
    ]  # fmt: skip
    for right, upper, name in (
        (False, False, "lower left"),
        (True, False, "lower right"),
        (False, True, "upper left"),
        (True, True, "upper right"),
    ):
        truth = pleiades_quadrant_truth(right, upper)
        for text, options in (("whole sky", {}), ("within 5° of M45", m45)):
            cases.append(
                Case(
                    f"Pleiades, {name} quarter",
                    PLEIADES,
                    text,
                    options,
                    quadrant(right, upper),
                    truth,
                    must="solve",
                )
            )

    m67 = {"near": "M67", "radius_deg": 2.0, "scale_arcsec_per_px": 1.70}
    flipped = Truth(M67_TRUTH.ra_deg, M67_TRUTH.dec_deg, M67_TRUTH.scale_arcsec_per_px, 1)
    for name, rearrange, truth in (
        ("as it is", as_it_is, M67_TRUTH),
        ("mirrored", mirrored, flipped),
        ("turned 90°", quarter_turns(1), M67_TRUTH),
        ("turned 180°", quarter_turns(2), M67_TRUTH),
        ("turned 37°", turned_37, M67_TRUTH),
        ("turned 37° and cut", turned_37_cut, M67_TRUTH),
    ):
        cases.append(
            Case(f"M67 plate, {name}", M67, "within 2° of M67, 1.70″/px", m67, rearrange, truth,
                 must="solve")
        )  # fmt: skip
    cases.append(Case("M67 plate", M67, "whole sky", {}, truth=M67_TRUTH))

    for file in ONE_METRE:
        number = file.removesuffix(".fits.gz")[-4:]
        truth = one_metre_truth(folder / file)
        place = "124.62 25.33"
        for text, options in (
            ("within 1°, 1.107″/px",
             {"near": place, "radius_deg": 1.0, "scale_arcsec_per_px": 1.107}),
            ("within 5°", {"near": place, "radius_deg": 5.0}),
        ):  # fmt: skip
            cases.append(Case(f"1.07 m raw light {number}", file, text, options, truth=truth))

    barren = [
        ("Horsehead plate", HORSEHEAD, "85.2748 -2.4581", 1.008),
        ("M101 plate", M101, "M101", 1.701),
        *((f"M13, 5 s, {file[-12:-8]}", file, "M13", None) for file in M13),
    ]
    for name, file, near, scale in barren:
        hint: dict[str, Any] = {"near": near, "radius_deg": 2.0}
        text = f"within 2° of {near}"
        if scale is not None:
            hint["scale_arcsec_per_px"] = scale
            text += f", {scale}″/px"
        cases.append(Case(name, file, text, hint, must="refuse"))
    cases.append(Case("Horsehead plate", HORSEHEAD, "whole sky", {}, must="refuse"))
    cases.append(Case("M101 plate", M101, "whole sky", {}, must="refuse"))
    cases.append(Case("M13, 5 s, 0001", M13[0], "whole sky", {}, must="refuse"))
    for file in FOURTEEN_INCH:
        cases.append(Case(label(file), file, "whole sky", {}))
    return cases
