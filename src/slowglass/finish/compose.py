"""What part of the picture to show, and which way up.

The object in the middle at its true scale, with room around it; north up on request; never
mirrored. Everything that draws on the picture follows through ``Cut.wcs``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from slowglass.finish.geometry import Box
from slowglass.finish.gradient import Outline
from slowglass.frame.stars import StarList
from slowglass.sky.wcs import TanWcs

Picture = npt.NDArray[np.float32]

ROOM = 2.1
"""Height of the cut over the object's length: it fills nearly half of the height."""
SMALLEST_HEIGHT_PX = 800
"""A smaller cut shows pixels rather than a picture."""
WHOLE_FROM = 0.6
"""A cut that keeps more of the area than this gives way to the whole picture."""
ASPECT = 1.5


@dataclass(frozen=True)
class Cut:
    """How a picture is cut: rectangle, turn about its middle, flip of the rows.

    The result has the rectangle's size. ``turn_deg`` turns what is shown, from +x toward +y.
    """

    box: Box
    turn_deg: float = 0.0
    flip: bool = False

    @property
    def plain(self) -> bool:
        """Whether pixels are only chosen, not moved between."""
        return abs(self.turn_deg) < 1e-9

    def _matrix(self) -> npt.NDArray[np.float64]:
        """(2, 3): place on the cut of a place on the picture."""
        middle_x, middle_y = (self.box.width_px - 1) / 2.0, (self.box.height_px - 1) / 2.0
        turn = np.radians(self.turn_deg)
        linear = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        if self.flip:
            linear = linear @ np.diag([1.0, -1.0])
        centre = np.array([self.box.x0 + middle_x, self.box.y0 + middle_y])
        return np.column_stack([linear, np.array([middle_x, middle_y]) - linear @ centre])

    def apply(self, picture: Picture) -> Picture:
        """The cut of a picture, a copy; what lies beyond its edge repeats the edge."""
        b = self.box
        if self.plain:
            part = picture[b.y0 : b.y1, b.x0 : b.x1]
            return np.ascontiguousarray(part[::-1] if self.flip else part)
        import cv2

        out = cv2.warpAffine(
            picture,
            self._matrix(),
            (b.width_px, b.height_px),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(out, dtype=np.float32)

    def part(
        self, read: Callable[[Box], Picture], box: Box, width_px: int, height_px: int
    ) -> Picture:
        """A box of the cut of a picture of that size, of which ``read`` gives a rectangle."""
        b = self.box
        if self.plain:
            top, bottom = b.y0 + box.y0, b.y0 + box.y1
            if self.flip:
                top, bottom = b.y1 - box.y1, b.y1 - box.y0
            rows = read(Box(b.x0 + box.x0, top, b.x0 + box.x1, bottom))
            return np.ascontiguousarray(rows[::-1] if self.flip else rows)
        import cv2

        matrix = self._matrix()
        linear = matrix[:, :2]
        corners = box.grid(2).T - matrix[:, 2:]
        low, high = np.sort(np.linalg.inv(linear) @ corners, axis=1)[:, [0, -1]].T
        room = 4  # what a cubic reaches, and a little more
        source = Box(
            int(np.clip(low[0] - room, 0, width_px - 1)),
            int(np.clip(low[1] - room, 0, height_px - 1)),
            int(np.clip(high[0] + room + 1, 1, width_px)),
            int(np.clip(high[1] + room + 1, 1, height_px)),
        )
        shift = matrix[:, 2] + linear @ [source.x0, source.y0] - [box.x0, box.y0]
        out = cv2.warpAffine(
            read(source),
            np.column_stack([linear, shift]),
            (box.width_px, box.height_px),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(out, dtype=np.float32)

    def wcs(self, wcs: TanWcs) -> TanWcs:
        """The coordinates of the cut, given the picture's."""
        matrix = self._matrix()
        x, y = matrix @ np.array([wcs.crpix_x, wcs.crpix_y, 1.0])
        cd = wcs.matrix @ np.linalg.inv(matrix[:, :2])
        rows = tuple((float(r[0]), float(r[1])) for r in cd)
        return replace(wcs, crpix_x=float(x), crpix_y=float(y), cd=(rows[0], rows[1]))

    def stars(self, stars: StarList) -> StarList:
        """The stars at their places on the cut; those outside are left out."""
        at = self._matrix() @ np.stack([stars.x_px, stars.y_px, np.ones(len(stars))])
        moved = replace(stars, x_px=at[0], y_px=at[1])
        inside = (at[0] >= 0) & (at[1] >= 0)
        inside &= (at[0] <= self.box.width_px - 1) & (at[1] <= self.box.height_px - 1)
        return moved.take(inside)

    def outline(self, one: Outline) -> Outline:
        """An object's ellipse on the cut."""
        x, y = self._matrix() @ np.array([one.x_px, one.y_px, 1.0])
        angle = -one.angle_deg if self.flip else one.angle_deg
        return replace(one, x_px=float(x), y_px=float(y), angle_deg=angle + self.turn_deg)


def compose(
    width_px: int,
    height_px: int,
    *,
    subject: Outline | None = None,
    wcs: TanWcs | None = None,
    crop: bool = True,
    north_up: bool = False,
) -> Cut:
    """The cut that shows the subject well.

    Without a subject, or with one that fills the picture, all of it is shown. Turning north up
    takes the largest rectangle of the same form that the turned picture fills.
    """
    flip = wcs is not None and wcs.parity < 0
    turn = 0.0
    if north_up and wcs is not None:
        turn = _turn_to_north(wcs, flip)
    whole = Box(0, 0, width_px, height_px)
    box = whole
    if subject is not None and crop:
        box = _around(subject, width_px, height_px)
    if abs(turn) > 1e-9:
        box = _inside_when_turned(box, width_px, height_px, turn)
    return Cut(box, turn, flip)


def _around(subject: Outline, width_px: int, height_px: int) -> Box:
    landscape = width_px >= height_px
    short_side = min(width_px, height_px)
    short = min(short_side, max(ROOM * 2.0 * subject.long_px, SMALLEST_HEIGHT_PX))
    long = min(max(width_px, height_px), ASPECT * short)
    wide, high = (long, short) if landscape else (short, long)
    if wide * high > WHOLE_FROM * width_px * height_px:
        return Box(0, 0, width_px, height_px)
    x0 = int(np.clip(round(subject.x_px - wide / 2), 0, width_px - int(wide)))
    y0 = int(np.clip(round(subject.y_px - high / 2), 0, height_px - int(high)))
    return Box(x0, y0, x0 + int(wide), y0 + int(high))


def _turn_to_north(wcs: TanWcs, flip: bool) -> float:
    """The turn that brings north to the top of the (flipped) picture."""
    inverse = np.linalg.inv(wcs.matrix)
    north = inverse @ np.array([0.0, 1.0])
    if flip:
        north = north * np.array([1.0, -1.0])
    now = float(np.degrees(np.arctan2(north[1], north[0])))
    return (-90.0 - now + 180.0) % 360.0 - 180.0


def _inside_when_turned(box: Box, width_px: int, height_px: int, turn_deg: float) -> Box:
    """The largest rectangle of the box's form and middle whose turned corners stay inside."""
    cx, cy = (box.x0 + box.x1 - 1) / 2.0, (box.y0 + box.y1 - 1) / 2.0
    turn = np.radians(turn_deg)
    half_w, half_h = (box.width_px - 1) / 2.0, (box.height_px - 1) / 2.0
    reach_x = abs(half_w * np.cos(turn)) + abs(half_h * np.sin(turn))
    reach_y = abs(half_w * np.sin(turn)) + abs(half_h * np.cos(turn))
    room_x, room_y = min(cx, width_px - 1 - cx), min(cy, height_px - 1 - cy)
    share = min(1.0, room_x / max(reach_x, 1e-9), room_y / max(reach_y, 1e-9))
    w = max(16, int(2.0 * half_w * share)) + 1
    h = max(16, int(2.0 * half_h * share)) + 1
    x0, y0 = round(cx - (w - 1) / 2.0), round(cy - (h - 1) / 2.0)
    return Box(x0, y0, x0 + w, y0 + h)
