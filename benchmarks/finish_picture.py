"""How well the picture's last steps keep to the truth: star colours, processor time.

Run with ``python benchmarks/finish_picture.py [--quick]``. Stars are invented and
known exactly; their colours come from black bodies through filters that the fit knows nothing of.
Goal: within 0.05 mag rms of the catalogue's B−V. The sky surface is measured by ``finish_sky.py``.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import numpy.typing as npt
from finish_sky import table

Floats = npt.NDArray[np.float64]

NM = np.arange(380.0, 720.0, 2.0)
FILTER_SETS = {
    "usual dyes": ((605.0, 38.0), (530.0, 42.0), (458.0, 36.0)),
    "wide dyes": ((620.0, 50.0), (535.0, 50.0), (450.0, 45.0)),
    "narrow dyes": ((600.0, 30.0), (535.0, 35.0), (465.0, 28.0)),
}


def camera_light(bv: Floats, filters: tuple[tuple[float, float], ...]) -> Floats:
    """Relative photons of black bodies (Ballesteros 2012 temperatures) in three colours."""
    from slowglass.finish.colour import star_temperature_k

    photons = NM**-4.0 / np.expm1(1.438777e7 / (NM * star_temperature_k(bv)[:, None]))
    bands = [np.exp(-0.5 * ((NM - middle) / width) ** 2) for middle, width in filters]
    flux = np.stack([photons @ band for band in bands], axis=1) * np.array([0.6, 1.0, 0.5])
    return np.asarray(flux / flux[:, 1:2])


def colour_rows(quick: bool) -> list[tuple[str, ...]]:
    """Colours of stars the fit has not seen, for filters and numbers of catalogue stars."""
    from slowglass.finish.colour import StarColours, fit_colour

    rows = []
    for name, filters in FILTER_SETS.items():
        for count in (4, 8, 16, 60):
            misses = []
            for seed in range(10 if quick else 100):
                rng = np.random.default_rng(seed)
                bv = np.clip(rng.normal(0.75, 0.4, count), -0.1, 1.7)
                # catalogue colours are good to 0.02; reddening, metals and noise do the rest
                flux = 1e5 * camera_light(bv + rng.normal(0, 0.02, count), filters)
                flux *= 10 ** (-0.4 * rng.normal(0, 0.015, flux.shape))
                fit = fit_colour(StarColours(flux, np.full_like(flux, 600.0), bv))
                others = rng.uniform(0.0, 1.5, 200)
                misses.append(fit.bv_of(camera_light(others, filters)) - others)
            rms = np.sqrt(np.mean(np.square(misses), axis=1))
            typical = float(np.sqrt(np.mean(np.square(misses))))
            rows.append(
                (
                    f"{name}, {count} stars",
                    f"{typical:.3f} mag",
                    f"{float(np.quantile(rms, 0.95)):.3f} mag",
                    "yes" if typical <= 0.05 else "no",
                )
            )
    return rows


def time_rows(quick: bool) -> list[tuple[str, ...]]:
    """Processor time of each step on a colour picture."""
    from slowglass.finish.gradient import fit_sky, subtract_sky
    from slowglass.finish.quiet import measure_noise, quieten
    from slowglass.finish.sharpen import moffat_blur, sharpen
    from slowglass.frame.stars import StarList
    from slowglass.frame.stretch import choose_levels, to_8bit

    height, width = (1000, 1500) if quick else (2000, 3000)
    rng = np.random.default_rng(1)
    picture = rng.normal(0, 2, (height, width, 3)).astype(np.float32)
    stretch = choose_levels(sky=0.0, sigma=2.0, white=2000.0)
    noise = measure_noise(picture, sky_adu=1.2, per_adu=0.3)
    none = StarList.empty()
    blur = moffat_blur(4.0)

    def flatten() -> None:
        subtract_sky(picture, fit_sky(picture))

    rows = []
    for name, work in (
        ("sky surface", flatten),
        ("quieten", lambda: quieten(picture, noise, strength=0.6)),
        (
            "sharpen",
            lambda: sharpen(picture, blur, strength=0.5, sigma_adu=1.2, per_adu=0.3, stars=none),
        ),
        ("stretch to 8 bit", lambda: to_8bit(picture, stretch)),
    ):
        work()
        began = time.process_time()
        work()
        spent = time.process_time() - began
        rows.append((name, f"{spent:.2f} s", f"{spent / (height * width / 1e6):.3f} s"))
    return rows


def field_rows(quick: bool) -> list[tuple[str, ...]]:
    """Colours measured on pictures: fields of few and faint stars, red skies, nebulae."""
    from slowglass.finish.colour import fit_colour
    from slowglass.finish.combined import FoundStars, NoiseModel
    from slowglass.finish.gradient import fit_sky, subtract_sky
    from slowglass.finish.known import Scene, measure_colours
    from slowglass.frame.stars import StarList

    size, width = (600, 900), 3.4
    y, x = np.mgrid[0 : size[0], 0 : size[1]]
    cloud = np.exp(-((np.hypot(x - 450, y - 300) / 220.0) ** 4)) * (1 + 0.3 * np.sin(x / 23.0))
    fields = {
        "bright stars": (40, 5.0, (1.0, 1.0, 1.0), 0.0),
        "few bright stars": (10, 5.0, (1.0, 1.0, 1.0), 0.0),
        "faint stars": (40, 3.9, (1.0, 1.0, 1.0), 0.0),
        "under a red sky": (40, 4.6, (3.0, 1.2, 0.8), 0.0),
        "in a red nebula": (40, 4.6, (1.0, 1.0, 1.0), 120.0),
    }
    rows = []
    for name, (count, brightest, sky, nebula) in fields.items():
        rms, scales = [], []
        for seed in range(2 if quick else 8):
            rng = np.random.default_rng(seed)
            cx, cy = rng.uniform(30, size[1] - 30, count), rng.uniform(30, size[0] - 30, count)
            bv = np.clip(rng.normal(0.75, 0.4, count), -0.1, 1.7)
            flux = 10 ** rng.uniform(brightest - 0.8, brightest, count)
            light = flux[:, None] * camera_light(bv, FILTER_SETS["usual dyes"])
            slope = 1.0 + 0.1 * (x - 450) / 450
            picture = 300.0 * slope[..., None] * np.array(sky)
            picture += nebula * cloud[..., None] * np.array([1.0, 0.25, 0.2])
            sigma = width / 2.355
            for k in range(count):
                star = np.exp(-((x - cx[k]) ** 2 + (y - cy[k]) ** 2) / (2 * sigma**2))
                picture += star[..., None] * light[k] / (2 * np.pi * sigma**2)
            picture += rng.normal(0, 1, picture.shape) * np.sqrt(picture / 2.0)
            picture = picture.astype(np.float32)
            subtract_sky(picture, fit_sky(picture))
            full = np.zeros(count)
            every = StarList(
                cx, cy, flux, full, full, full + 50.0, full + width, full + width, full + 1.0,
                np.zeros(count, np.int32),
            )  # fmt: skip
            noise = NoiseModel((12.0,) * 3, (0.5,) * 3, (1.0,) * 3)
            known = np.where(np.arange(count) % 2 == 0, bv + rng.normal(0, 0.02, count), np.nan)
            seen = Scene(FoundStars(every, every, width), noise, bv=(cx, cy, known))
            measured = measure_colours(picture, seen)
            fit = fit_colour(measured)
            others = ~np.isfinite(known)
            apart = np.hypot(cx[:, None] - cx, cy[:, None] - cy) + 1e9 * np.eye(count)
            others &= apart.min(axis=1) > 4 * width
            miss = fit.bv_of(measured.flux_adu[others]) - bv[others]
            rms.append(float(np.sqrt(np.mean(np.square(miss)))))
            exact = fit.bv_of(light[others]) - bv[others]
            scales.append(float(np.sqrt(np.mean(np.square(exact)))))
        scale = float(np.median(scales))
        rows.append(
            (
                name,
                f"{float(np.median(rms)):.3f} mag",
                f"{scale:.3f} mag",
                f"{max(scales):.3f} mag",
                "yes" if scale <= 0.05 else "no",
            )
        )
    return rows


def main() -> None:
    """Run all measurements and print them."""
    quick = "--quick" in sys.argv[1:]
    table(
        "Star colours (goal: 0.05 mag rms)",
        ("camera and catalogue stars", "rms", "19 of 20 below", "goal met"),
        colour_rows(quick),
    )
    table(
        "Star colours on pictures, stars the fit has not seen (goal: 0.05 mag rms)",
        ("field", "stars as measured", "scale alone", "its worst", "goal met"),
        field_rows(quick),
    )
    table("Processor time", ("step", "in all", "a megapixel"), time_rows(quick))


if __name__ == "__main__":
    main()
