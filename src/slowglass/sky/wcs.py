"""Gnomonic (TAN) world coordinates of a frame, as a small frozen record on arrays.

Pixel coordinates are (x, y) = (column, row) with the centre of the first pixel at (0, 0);
FITS headers, whose first pixel is (1, 1), are converted here and nowhere else.

Source: Greisen & Calabretta 2002, A&A 395, 1061; Calabretta & Greisen 2002, A&A 395, 1077.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def project_tan(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, ra0_deg: float, dec0_deg: float
) -> tuple[Floats, Floats]:
    """Standard coordinates (ξ east, η north) in degrees about a tangent point.

    Points 90° or more from the tangent point come back as NaN.
    """
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    ra0, dec0 = np.radians(ra0_deg), np.radians(dec0_deg)
    dra = ra - ra0
    cos_c = np.sin(dec) * np.sin(dec0) + np.cos(dec) * np.cos(dec0) * np.cos(dra)
    with np.errstate(divide="ignore", invalid="ignore"):
        denominator = np.where(cos_c > 1e-9, cos_c, np.nan)
        xi = np.cos(dec) * np.sin(dra) / denominator
        eta = (np.sin(dec) * np.cos(dec0) - np.cos(dec) * np.sin(dec0) * np.cos(dra)) / denominator
    return np.degrees(xi), np.degrees(eta)


def deproject_tan(
    xi_deg: npt.ArrayLike, eta_deg: npt.ArrayLike, ra0_deg: float, dec0_deg: float
) -> tuple[Floats, Floats]:
    """ICRS (ra, dec) in degrees of standard coordinates; ra in [0, 360)."""
    xi, eta = np.radians(xi_deg), np.radians(eta_deg)
    ra0, dec0 = np.radians(ra0_deg), np.radians(dec0_deg)
    denominator = np.cos(dec0) - eta * np.sin(dec0)
    ra = ra0 + np.arctan2(xi, denominator)
    dec = np.arctan2(np.sin(dec0) + eta * np.cos(dec0), np.hypot(xi, denominator))
    return np.degrees(ra) % 360.0, np.degrees(dec)


@dataclass(frozen=True)
class TanWcs:
    """A TAN solution: reference sky position, reference pixel, and the CD matrix.

    ``crpix_x``/``crpix_y`` count from 0 (centre of the first pixel). ``cd`` is
    ((dξ/dx, dξ/dy), (dη/dx, dη/dy)) in degrees per pixel, ξ to the east.
    """

    ra0_deg: float
    dec0_deg: float
    crpix_x: float
    crpix_y: float
    cd: tuple[tuple[float, float], tuple[float, float]]

    @classmethod
    def from_simple(
        cls,
        *,
        ra_deg: float,
        dec_deg: float,
        width_px: int,
        height_px: int,
        scale_arcsec_per_px: float,
        rotation_deg: float = 0.0,
        parity: int = 1,
    ) -> TanWcs:
        """A frame centred on (ra, dec) whose +y axis lies at ``rotation_deg`` (north through east).

        ``parity`` is the sign of det(CD): +1 for an unmirrored picture stored top row first (as
        cameras do), −1 for an unmirrored picture stored bottom row first (as FITS is drawn).
        """
        s = scale_arcsec_per_px / 3600.0
        pa = np.radians(rotation_deg)
        y_axis = (s * np.sin(pa), s * np.cos(pa))
        x_axis = (parity * s * np.cos(pa), -parity * s * np.sin(pa))
        return cls(
            float(ra_deg) % 360.0,
            float(dec_deg),
            (width_px - 1) / 2.0,
            (height_px - 1) / 2.0,
            (
                (float(x_axis[0]), float(y_axis[0])),
                (float(x_axis[1]), float(y_axis[1])),
            ),
        )

    @property
    def matrix(self) -> Floats:
        """The CD matrix as a (2, 2) array, degrees per pixel."""
        return np.array(self.cd, dtype=np.float64)

    @property
    def scale_arcsec_per_px(self) -> float:
        """Geometric-mean pixel size at the reference pixel."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix))) * 3600.0)

    @property
    def rotation_deg(self) -> float:
        """Position angle of the stored +y axis, north through east, in [0, 360)."""
        return float(np.degrees(np.arctan2(self.cd[0][1], self.cd[1][1])) % 360.0)

    @property
    def parity(self) -> int:
        """Sign of det(CD): see :meth:`from_simple`."""
        return 1 if np.linalg.det(self.matrix) > 0 else -1

    def pixel_to_sky(self, x_px: npt.ArrayLike, y_px: npt.ArrayLike) -> tuple[Floats, Floats]:
        """ICRS (ra, dec) in degrees of pixel positions."""
        dx = np.asarray(x_px, dtype=np.float64) - self.crpix_x
        dy = np.asarray(y_px, dtype=np.float64) - self.crpix_y
        (a, b), (c, d) = self.cd
        return deproject_tan(a * dx + b * dy, c * dx + d * dy, self.ra0_deg, self.dec0_deg)

    def sky_to_pixel(self, ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Pixel (x, y) of sky positions; NaN for points on the far hemisphere."""
        xi, eta = project_tan(ra_deg, dec_deg, self.ra0_deg, self.dec0_deg)
        inverse = np.linalg.inv(self.matrix)
        return (
            inverse[0, 0] * xi + inverse[0, 1] * eta + self.crpix_x,
            inverse[1, 0] * xi + inverse[1, 1] * eta + self.crpix_y,
        )

    def to_header(self) -> dict[str, float | str | int]:
        """FITS WCS cards (keyword to value), first pixel at (1, 1)."""
        return {
            "WCSAXES": 2,
            "CTYPE1": "RA---TAN",
            "CTYPE2": "DEC--TAN",
            "CUNIT1": "deg",
            "CUNIT2": "deg",
            "CRVAL1": self.ra0_deg,
            "CRVAL2": self.dec0_deg,
            "CRPIX1": self.crpix_x + 1.0,
            "CRPIX2": self.crpix_y + 1.0,
            "CD1_1": self.cd[0][0],
            "CD1_2": self.cd[0][1],
            "CD2_1": self.cd[1][0],
            "CD2_2": self.cd[1][1],
            # The default is 0 for a frame centred exactly on the north pole.
            "LONPOLE": 180.0,
            "RADESYS": "ICRS",
        }
