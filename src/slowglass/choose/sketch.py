"""An object in the frame at true scale: sizes and angles for a drawing, no drawing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from slowglass.documents import document

if TYPE_CHECKING:
    from slowglass.choose.answers import Candidate
    from slowglass.kit.model import Kit

AIR = 1.06
"""Space around the drawing, so that lines on its edge stay whole."""


@dataclass(frozen=True)
class Sketch:
    """Frame and object centred on the same point, arcminutes, the frame's long side across.

    ``tilt_deg`` is the turn of the object's major axis from the long side, counter-clockwise
    as seen on an unmirrored picture. ``view`` is the width and height that show all of both.
    """

    frame_arcmin: tuple[float, float]
    axes_arcmin: tuple[float, float] | None
    tilt_deg: float
    view_arcmin: tuple[float, float]

    def to_json(self) -> dict[str, Any]:
        """A JSON-serialisable mapping."""
        return asdict(self)


def sketch_framing(
    *,
    field_deg: tuple[float, float],
    major_arcmin: float | None,
    minor_arcmin: float | None,
    position_angle_deg: float | None,
    camera_angle_deg: float | None,
) -> Sketch:
    """The sketch of an object of catalogue extent in a field, at a camera angle.

    ``camera_angle_deg`` is the position angle of the frame's long side; None, or an object
    whose own angle is unknown, lays the object along the long side.
    """
    frame = (max(field_deg) * 60.0, min(field_deg) * 60.0)
    if not major_arcmin:
        return Sketch(frame, None, 0.0, (frame[0] * AIR, frame[1] * AIR))
    minor = minor_arcmin or major_arcmin
    tilt = 0.0
    if camera_angle_deg is not None and position_angle_deg is not None:
        tilt = (position_angle_deg - camera_angle_deg + 90.0) % 180.0 - 90.0
    view = (max(frame[0], major_arcmin) * AIR, max(frame[1], major_arcmin) * AIR)
    if major_arcmin <= frame[1]:
        view = (frame[0] * AIR, frame[1] * AIR)
    return Sketch(frame, (major_arcmin, minor), tilt, view)


def sketch_candidates(kit: Kit, ranked: Iterable[tuple[int, Candidate]]) -> list[dict[str, Any]]:
    """Candidates as JSON rows, each with its rank and its sketch in the kit's frame."""
    rows = []
    for rank, candidate in ranked:
        obj = candidate.object
        sketch = sketch_framing(
            field_deg=(kit.field_width_deg, kit.field_height_deg),
            major_arcmin=obj.major_arcmin,
            minor_arcmin=obj.minor_arcmin,
            position_angle_deg=obj.position_angle_deg,
            camera_angle_deg=candidate.fits.angle_deg,
        )
        rows.append({**document(candidate), "rank": rank, "sketch": sketch.to_json()})
    return rows
