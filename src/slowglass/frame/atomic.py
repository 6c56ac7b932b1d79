"""Writing a file so that a reader sees the old one or the whole new one, never half of it."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from slowglass.errors import UsageError


@contextmanager
def replacing(path: Path | str) -> Iterator[Path]:
    """A temporary path beside ``path``, moved over it when the block ends without an error."""
    target = Path(path)
    if target.is_dir():
        raise UsageError(f"{target} is a folder", "name a file to write")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(
            prefix=f".{target.stem}-", suffix=target.suffix, dir=target.parent
        )
    except OSError as error:
        raise _unwritable(target, error, "choose a writable folder") from error
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        os.replace(temporary, target)
    except OSError as error:
        raise _unwritable(target, error, "free some space, or choose another folder") from error
    finally:
        temporary.unlink(missing_ok=True)


def _unwritable(target: Path, error: OSError, cure: str) -> UsageError:
    why = error.strerror or str(error).split(". ")[0].splitlines()[0]
    return UsageError(f"cannot write {target}: {why}", cure)
