"""A finished picture to work on: its linear FITS opened, sliders answered, exports written."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from slowglass.errors import UsageError
from slowglass.finish import export
from slowglass.finish.combined import Picture
from slowglass.finish.develop import prepare, screen_of
from slowglass.finish.geometry import Box
from slowglass.finish.kept import Facts, read_facts, read_light, read_one
from slowglass.finish.names import free_names
from slowglass.finish.pair import around, halves_of
from slowglass.finish.proxy import LONGEST_PX, LOUPE_PX, Proxy, proxy_of
from slowglass.finish.recipe import CutStep, Recipe, recipe_text
from slowglass.finish.sliders import Moves, moved, start_of
from slowglass.frame.caption import Caption
from slowglass.frame.picture_io import encode_jpeg
from slowglass.progress import Report, silent

Kind = Literal["png", "jpeg", "tiff", "fits"]
KINDS: tuple[Kind, ...] = ("png", "jpeg", "tiff", "fits")
JPEG_QUALITY = 90
KEPT_CUTS = 2
"""Cuts whose proxies are remembered, some 15 MB each."""
STAGES = 4


@dataclass(frozen=True)
class Shown:
    """The picture under some moves."""

    jpeg: bytes
    black_share: float
    """Share of the pixels at black in all colours."""
    white_share: float
    """Share of the pixels at white in any colour."""


class Proof:
    """A finished picture under sliders; safe to ask from several threads.

    Memory: some 40 MB while open; while a cut is drawn for the first time, 30 bytes a pixel.
    """

    def __init__(self, path: Path, *, longest_px: int = LONGEST_PX) -> None:
        self.path = path
        self.longest_px = longest_px
        self.facts: Facts = read_facts(path)
        self._lock = threading.Lock()
        self._proxies: OrderedDict[tuple[bool, bool], Proxy] = OrderedDict()
        self._quiet: tuple[Proxy, float, Picture] | None = None
        self._sharp: tuple[float, Picture] | None = None
        self._shown: OrderedDict[Moves, Shown] = OrderedDict()

    @property
    def start(self) -> dict[str, float]:
        """Where the sliders stand before they are moved."""
        return start_of(self.facts.recipe)

    @property
    def can_turn(self) -> bool:
        """Whether the picture knows where north is."""
        return self.facts.scene.wcs is not None

    @property
    def has_pair(self) -> bool:
        """Whether one frame alone was kept to compare with."""
        return self.facts.square is not None

    @property
    def finished_size(self) -> tuple[int, int]:
        """Columns and rows of the picture as it was finished."""
        box = self._box(self.facts.recipe)
        return box.width_px, box.height_px

    def recipe(self, moves: Moves) -> Recipe:
        """The filled recipe of these moves."""
        with self._lock:
            return self._recipe(moves)[1]

    def size(self, moves: Moves) -> tuple[int, int]:
        """Columns and rows of the exported picture."""
        box = self._box(self.recipe(moves))
        return box.width_px, box.height_px

    def shown(self, moves: Moves) -> Shown:
        """The picture at proxy scale."""
        with self._lock:
            made = self._shown.get(moves)
            if made is None:
                proxy, recipe = self._recipe(moves)
                eight = _eight(proxy.screen(self._light(proxy, recipe), recipe))
                flat = eight.reshape(-1, 1) if eight.ndim == 2 else eight.reshape(-1, 3)
                made = Shown(
                    encode_jpeg(eight, quality=JPEG_QUALITY),
                    float((flat.max(axis=1) == 0).mean()),
                    float((flat.max(axis=1) == 255).mean()),
                )
                self._shown[moves] = made
                if len(self._shown) > 24:
                    self._shown.popitem(last=False)
            return made

    def loupe(self, moves: Moves, x_share: float, y_share: float, side_px: int = LOUPE_PX) -> bytes:
        """A square of the picture at true scale about a place, as JPEG."""
        with self._lock:
            proxy, _ = self._recipe(moves)
        screen = self.true_pixels(moves, proxy.loupe_box(x_share, y_share, side_px))
        return encode_jpeg(_eight(screen), quality=95)

    def true_pixels(self, moves: Moves, box: Box) -> Picture:
        """sRGB values 0–1 of a box of the cut, as the export has them."""
        with self._lock:
            proxy, recipe = self._recipe(moves)
            whole = None
            if recipe.detail.local_contrast:
                calm = recipe.detail.model_copy(update={"local_contrast": 0.0})
                light = self._light(proxy, recipe)
                whole = proxy.screen(light, recipe.model_copy(update={"detail": calm}))
        # the rest holds nobody up: sliders may be moved on
        room = proxy.with_room(box)
        rows, columns = self.facts.shape
        linear = proxy.cut.part(partial(read_light, self.path), room, columns, rows)
        return proxy.loupe(linear, room, box, recipe, whole)

    def pair(self, moves: Moves) -> tuple[bytes, bytes]:
        """The same square of one frame and of all, as JPEG."""
        square = self.facts.square
        if square is None:
            raise UsageError(f"{self.path}: one frame only", "there is nothing to compare with")
        recipe = self.recipe(moves)
        part = around(square, self.facts.shape)
        halves = halves_of(
            read_one(self.path),
            read_light(self.path, part),
            part,
            square,
            self.facts.scene,
            recipe,
        )
        one, every = (encode_jpeg(half, quality=JPEG_QUALITY) for half in halves)
        return one, every

    def export(
        self,
        moves: Moves,
        folder: Path,
        *,
        stem: str = "",
        kinds: Sequence[Kind] = ("png", "jpeg", "tiff"),
        report: Report = silent,
    ) -> list[Path]:
        """Files of the picture at full resolution, with the recipe that makes it from the frames.

        Names are numbered, so that no file is replaced.
        """
        unknown = set(kinds) - set(KINDS)
        if unknown or not kinds:
            raise UsageError(
                f"files of {', '.join(sorted(unknown)) or 'no kind'} cannot be written",
                f"choose among {', '.join(KINDS)}",
            )
        report("developing at full resolution", 0, STAGES)
        recipe = self.recipe(moves)
        facts = self.facts
        prepared, recipe = prepare(read_light(self.path), facts.scene, recipe, [])
        report("developing at full resolution", 1, STAGES)
        screen = screen_of(prepared, recipe)
        del prepared
        report("writing", 2, STAGES)
        folder.mkdir(parents=True, exist_ok=True)
        names = free_names(folder, stem or self.path.stem)
        written, _ = export.write_screen(names, screen, self._caption(recipe), kinds)
        if "fits" in kinds:
            written.append(export.copy_file(self.path, names.fits))
        report("writing", 3, STAGES)
        written.append(export.write_text(names.recipe, recipe_text(recipe, facts.record)))
        return written

    def _caption(self, recipe: Recipe) -> Caption:
        story, box = self.facts.story, self._box(recipe)
        return story.of_size(box.height_px, box.width_px).caption()

    @staticmethod
    def _box(recipe: Recipe) -> Box:
        assert recipe.cut.box is not None
        return Box(*recipe.cut.box)

    def _recipe(self, moves: Moves) -> tuple[Proxy, Recipe]:
        """The proxy of the moves' cut, and the recipe with that cut filled in."""
        plain = self.facts.recipe
        around_subject = plain.cut.around_subject
        north_up = plain.cut.north_up
        key = (
            around_subject if moves.around_subject is None else moves.around_subject,
            (north_up if moves.north_up is None else moves.north_up) and self.can_turn,
        )
        proxy = self._proxies.get(key)
        if proxy is None:
            step = plain.cut
            if key != (around_subject, north_up):
                step = CutStep(around_subject=key[0], north_up=key[1])
            wanted = plain.model_copy(update={"cut": step})
            proxy = proxy_of(
                read_light(self.path), self.facts.scene, wanted, longest_px=self.longest_px
            )
            self._proxies[key] = proxy
            if len(self._proxies) > KEPT_CUTS:
                self._proxies.popitem(last=False)
        self._proxies.move_to_end(key)
        recipe = moved(plain, moves, sky_adu=proxy.sky_adu)
        return proxy, recipe.model_copy(update={"cut": proxy.step})

    def _light(self, proxy: Proxy, recipe: Recipe) -> Picture:
        """The proxy quietened and sharpened; the last one of each is remembered."""
        quiet, sharp = recipe.detail.quiet or 0.0, recipe.detail.sharpen or 0.0
        last = self._quiet
        if last is None or last[0] is not proxy or last[1] != quiet:
            last = self._quiet = (proxy, quiet, proxy.quiet(quiet))
            self._sharp = None
        if self._sharp is None or self._sharp[0] != sharp:
            self._sharp = (sharp, proxy.sharp(last[2], sharp))
        return self._sharp[1]


def _eight(screen: Picture) -> npt.NDArray[np.uint8]:
    return np.rint(screen * np.float32(255.0)).astype(np.uint8)
