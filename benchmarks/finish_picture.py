"""How well the picture's last steps keep to the truth: sky surface, star colours, noise, time.

Run with ``python benchmarks/finish_picture.py [--quick]``. Skies, stars and objects are invented
and known exactly; star colours come from black bodies through filters that the fit knows nothing
of; apertures are photutils'. Goals: sky left within 0.3 % of the sky with the object's total
light changed by at most 2 %; star colours within 0.05 mag rms of the catalogue's B−V.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SKY_ADU, NOISE_ADU = 400.0, 8.0
NM = np.arange(380.0, 720.0, 2.0)
FILTER_SETS = {
    "usual dyes": ((605.0, 38.0), (530.0, 42.0), (458.0, 36.0)),
    "wide dyes": ((620.0, 50.0), (535.0, 50.0), (450.0, 45.0)),
    "narrow dyes": ((600.0, 30.0), (535.0, 35.0), (465.0, 28.0)),
}


def slope(kind: str, height: int, width: int) -> Floats:
    """A sky of about ``SKY_ADU`` with the unevenness of the kind."""
    y, x = np.mgrid[0:height, 0:width]
    u, v = (x - width / 2) / (width / 2), (y - height / 2) / (width / 2)
    r2 = u * u + v * v
    shapes = {
        "tilted": 1 + 0.12 * u + 0.06 * v,
        "curved": 1 + 0.1 * u - 0.05 * v + 0.06 * u * u + 0.04 * u * v,
        "vignette left": 1 - 0.12 * r2 - 0.05 * r2 * r2 + 0.04 * u,
        "two lights": 1 + 0.08 * np.exp(-((u + 1.3) ** 2 + (v - 0.8) ** 2)) + 0.05 * u,
        "sensor glow": 1 + 0.03 * u + 0.06 * np.exp(-9 * (1 - u)) * np.exp(-((v / 0.5) ** 2)),
    }
    return SKY_ADU * shapes[kind]


def galaxy(height: int, width: int) -> tuple[Floats, float, float, float, float]:
    """An exponential disc; centre and half axes of its outline (four scale lengths)."""
    y, x = np.mgrid[0:height, 0:width]
    cx, cy, scale = 0.49 * width, 0.52 * height, 0.037 * width
    light = 150.0 * np.exp(-np.hypot(x - cx, (y - cy) / 0.5) / scale)
    return light, cx, cy, 4 * scale, 2 * scale


def globular(height: int, width: int) -> tuple[Floats, float, float, float, float]:
    """A King profile (1962); centre and half axes of its outline (two thirds of the limit)."""
    y, x = np.mgrid[0:height, 0:width]
    cx, cy, core = 0.43 * width, 0.52 * height, 0.017 * width
    r, limit = np.hypot(x - cx, y - cy), 18 * core
    inner = 1 / np.sqrt(1 + (r / core) ** 2) - 1 / np.sqrt(1 + (limit / core) ** 2)
    return 600.0 * np.clip(inner, 0, None) ** 2, cx, cy, limit / 1.5, limit / 1.5


def stars(rng: np.random.Generator, height: int, width: int, count: int) -> Floats:
    """Gaussian stars over three magnitudes and a half, plus fainter ones."""
    out = np.zeros((height, width))
    for _ in range(count):
        flux, cx, cy = 10 ** rng.uniform(2, 4.5), rng.uniform(0, width), rng.uniform(0, height)
        x0, x1 = int(max(0, cx - 20)), int(min(width, cx + 20))
        y0, y1 = int(max(0, cy - 20)), int(min(height, cy + 20))
        y, x = np.mgrid[y0:y1, x0:x1]
        out[y0:y1, x0:x1] += flux / 25.1 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 8.0)
    return out


def sky_rows(quick: bool) -> list[tuple[str, ...]]:
    """Residual of the sky and change of the object's light for each sky and object."""
    from photutils.aperture import EllipticalAperture, aperture_photometry

    from slowglass.finish.gradient import Outline, fit_sky, sky_plane

    height, width = (640, 960) if quick else (1000, 1500)
    rows = []
    for name, make in (("galaxy", galaxy), ("globular", globular)):
        for kind in ("tilted", "curved", "vignette left", "two lights", "sensor glow"):
            residuals, changes, shapes = [], [], []
            for seed in range(1 if quick else 4):
                rng = np.random.default_rng(seed)
                truth = slope(kind, height, width)
                light, cx, cy, a, b = make(height, width)
                field = stars(rng, height, width, height * width // 6000)
                noise = rng.normal(0, NOISE_ADU, truth.shape)
                picture = (truth + light + field + noise).astype(np.float32)
                sky = fit_sky(picture, [Outline(cx, cy, a, b)])
                miss = sky_plane(sky.nodes_adu[0], height, width) - truth
                aperture = EllipticalAperture((cx, cy), 1.2 * a, 1.2 * b)
                total = float(aperture_photometry(light, aperture)["aperture_sum"][0])
                lost = float(aperture_photometry(miss, aperture)["aperture_sum"][0])
                residuals.append(float(miss.std()) / SKY_ADU)
                changes.append(lost / total)
                shapes.append(sky.shape)
            worst = max(changes, key=abs)
            good = max(residuals) <= 0.003 and abs(worst) <= 0.02
            rows.append(
                (
                    f"{kind} behind a {name}",
                    max(set(shapes), key=shapes.count),
                    f"{100 * max(residuals):.3f} %",
                    f"{-100 * worst:+.2f} %",
                    "yes" if good else "no",
                )
            )
    return rows


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


def table(title: str, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    """Print a table in columns."""
    widths = [max(len(row[k]) for row in [head, *rows]) for k in range(len(head))]
    print(f"\n{title}")
    for row in [head, *rows]:
        print("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)))


def main() -> None:
    """Run all measurements and print them."""
    quick = "--quick" in sys.argv[1:]
    table(
        "Sky (goals: 0.3 % of the sky left, 2 % of the object's light)",
        ("sky", "surface", "left, rms", "object", "goal met"),
        sky_rows(quick),
    )
    table(
        "Star colours (goal: 0.05 mag rms)",
        ("camera and catalogue stars", "rms", "19 of 20 below", "goal met"),
        colour_rows(quick),
    )
    table("Processor time", ("step", "in all", "a megapixel"), time_rows(quick))


if __name__ == "__main__":
    main()
