"""Kits and sites as commented TOML files: built-in ones, the user's own, and any path."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from slowglass.errors import ConfigError, SlowglassError, UnreadableFile, UsageError
from slowglass.frame.atomic import replacing
from slowglass.kit.faults import fault_sentences
from slowglass.kit.model import Kit, Site
from slowglass.kit.rewrite import rewritten
from slowglass.kit.skyline import Points, skyline_from_text
from slowglass.kit.toml_text import fresh_text

BUILT_IN_KITS = {"long 102": "long-102.toml"}
BUILT_IN_SITES = {"Fig Tree Yard": "fig-tree-yard.toml", "Karri Flat": "karri-flat.toml"}

AnyRecord = TypeVar("AnyRecord", Kit, Site)
_MAX_BYTES = 1_000_000


def config_folder() -> Path:
    """Folder of the user's own kit.toml and site.toml; ``SLOWGLASS_CONFIG`` overrides it."""
    override = os.environ.get("SLOWGLASS_CONFIG")
    if override:
        return Path(override).expanduser()
    import platformdirs

    return Path(platformdirs.user_config_dir("slowglass", appauthor=False))


def has_own_kit() -> bool:
    """True when the config folder holds a kit.toml, so that no built-in kit stands in for it."""
    return (config_folder() / "kit.toml").is_file()


def load_kit(name_or_path: str | os.PathLike[str] | None = None) -> Kit:
    """The kit of that built-in name or file; with none given, the user's own or "long 102"."""
    return _load(name_or_path, Kit, BUILT_IN_KITS, "kit.toml")


def load_site(name_or_path: str | os.PathLike[str] | None = None) -> Site:
    """The site of that built-in name or file; with none given, the user's or "Fig Tree Yard"."""
    return _load(name_or_path, Site, BUILT_IN_SITES, "site.toml")


def kit_from_toml(text: str, *, source: str = "kit") -> Kit:
    """The kit a TOML text describes; ``source`` names it in errors."""
    return _parse(text, Kit, source)


def site_from_toml(text: str, *, source: str = "site") -> Site:
    """The site a TOML text describes; ``source`` names it in errors."""
    return _parse(text, Site, source)


def write_kit(kit: Kit, path: Path, *, replace: bool = False, editing: str = "") -> Path:
    """Path of the commented TOML file written; an existing file stays unless ``replace``.

    A file that holds this kit, or the one called ``editing`` whose new version this is, keeps
    its own comments and order: only the keys that changed are touched.
    """
    title = "A telescope, its camera and its mount."
    return _write(kit, title, path, replace=replace, editing=editing)


def write_site(site: Site, path: Path, *, replace: bool = False, editing: str = "") -> Path:
    """Path of the commented TOML file written, as ``write_kit`` writes a kit."""
    title = "A place to observe from."
    return _write(site, title, path, replace=replace, editing=editing)


def read_skyline(path: Path | str) -> Points:
    """(azimuth, altitude) pairs, degrees, of a file with one on each line."""
    file = Path(path).expanduser()
    return skyline_from_text(_read(file), source=str(file))


def _load(
    name_or_path: str | os.PathLike[str] | None,
    model: type[AnyRecord],
    built_in: Mapping[str, str],
    own_file: str,
) -> AnyRecord:
    if name_or_path is None:
        own = config_folder() / own_file
        if own.is_file():
            return _parse(_read(own), model, str(own))
        return _load_built_in(next(iter(built_in)), model, built_in)
    text = os.fspath(name_or_path)
    for name in built_in:
        if _plain(text) == _plain(name):
            return _load_built_in(name, model, built_in)
    path = Path(text).expanduser()
    if not path.exists():
        word = model.__name__.lower()
        raise UsageError(
            f"there is no {word} file or built-in {word} called {text!r}",
            f"give a .toml file or one of: {', '.join(built_in)}",
        )
    return _parse(_read(path), model, str(path))


def _load_built_in(name: str, model: type[AnyRecord], built_in: Mapping[str, str]) -> AnyRecord:
    data = resources.files("slowglass.kit").joinpath("data", built_in[name])
    return _parse(data.read_text(encoding="utf-8"), model, name)


def _plain(name: str) -> str:
    """A name without case, spaces or dashes: "Fig Tree Yard" and "fig-tree-yard" are one."""
    return "".join(c for c in name.casefold() if c.isalnum())


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise UnreadableFile(path, "too large for a kit, site or skyline", "check the path")
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableFile(path, "is not UTF-8 text", "save it as UTF-8") from None
    except OSError as error:
        raise UnreadableFile(path, f"cannot be read ({error.strerror or error})") from None


def _parse(text: str, model: type[AnyRecord], source: str) -> AnyRecord:
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{source} is not valid TOML: {error}", "correct that line") from None
    try:
        return model.model_validate(values)
    except ValidationError as error:
        faults = fault_sentences(error, model)
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise ConfigError(
            f"{source} has {count}: {'; '.join(faults)}", "Correct the file", faults=faults
        ) from None


def _write(record: AnyRecord, title: str, path: Path, *, replace: bool, editing: str) -> Path:
    """The file written; where it holds this record already, only what changed is touched."""
    if path.exists() and not replace:
        raise UsageError(f"{path} is already there", "choose another name or say --replace")
    text = _edited(record, path, editing) if path.is_file() else None
    with replacing(path) as temporary:
        temporary.write_text(text or fresh_text(record, title), encoding="utf-8")
    return path


def _edited(record: AnyRecord, path: Path, editing: str) -> str | None:
    """The file's own text with the record's values; None where it holds something else."""
    try:
        text = _read(path)
        present = _parse(text, type(record), str(path))
    except SlowglassError:
        return None
    if present.name not in (record.name, editing):
        return None
    return rewritten(text, present, record)
