"""How sure each pixel of the picture is, kept beside it for whoever measures on it."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np

from slowglass.finish.combined import Combined
from slowglass.frame.atomic import replacing

FULL = 1000


def write_maps(path: Path, combined: Combined) -> Path:
    """Coverage and rejections as compressed FITS, atomically; returns the path.

    Extension COVERAGE: the share of all weight that reached a pixel, in thousandths; REJECTED:
    how many values were left out there. The first header holds the noise model: variance of a
    pixel = (SKYSIGn² + PERADUn · light) / coverage, of the mean of many pixels BLENDn² times
    that over their number, n counting the channels from 1.
    """
    from astropy.io import fits

    first = fits.PrimaryHDU()
    noise = combined.noise
    for n, (sky, slope, blend) in enumerate(
        zip(noise.sky_adu, noise.per_adu, noise.blend, strict=True), start=1
    ):
        for key, value, told in (
            ("SKYSIG", sky, "noise of a pixel of empty sky, ADU"),
            ("PERADU", slope, "variance an ADU of light adds, ADU"),
            ("BLEND", blend, "noise of means over that of free pixels"),
        ):
            if np.isfinite(value):
                first.header[f"{key}{n}"] = (float(value), told)
    first.header["NCOMBINE"] = len(combined.used)
    share = np.rint(combined.coverage * np.float32(FULL)).astype(np.int16)
    gone = np.minimum(combined.rejected, 32767).astype(np.int16)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        hdus = fits.HDUList([first])
        for name, data in (("COVERAGE", share), ("REJECTED", gone)):
            hdus.append(fits.CompImageHDU(data, name=name, compression_type="RICE_1"))
        with replacing(path) as temporary:
            hdus.writeto(temporary, overwrite=True)
    return path
