"""Files are written whole or not at all, and a full or locked disk is told in one line."""

from __future__ import annotations

import errno

import pytest

from slowglass.errors import UsageError
from slowglass.frame.atomic import replacing


def test_a_full_disk_is_told_and_nothing_is_left(tmp_path):
    out = tmp_path / "picture.fits"
    out.write_bytes(b"older")
    with (
        pytest.raises(UsageError, match=r"cannot write .*No space left.*Free some space") as caught,
        replacing(out) as temporary,
    ):
        temporary.write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")
    assert caught.value.exit_code == 2
    assert out.read_bytes() == b"older"
    assert [p.name for p in tmp_path.iterdir()] == ["picture.fits"]


def test_a_librarys_own_long_complaint_is_cut_to_its_first_sentence(tmp_path):
    with pytest.raises(UsageError) as caught, replacing(tmp_path / "a.fits"):
        raise OSError("Not enough space on disk: requested 48, available 1. Not enough. Again.")
    assert str(caught.value).count("enough") == 1


def test_other_faults_pass_through(tmp_path):
    with pytest.raises(ZeroDivisionError), replacing(tmp_path / "a.txt"):
        raise ZeroDivisionError
    assert list(tmp_path.iterdir()) == []
