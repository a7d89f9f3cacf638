"""An export brought to another folder: whole and checked, or not at all."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from monitor.errors import ExportError, InputError
from monitor.export.sent import copy_to
from monitor.export.verify import check_folder


def test_copy_stands_under_the_site_and_holds(exported: Path, tmp_path: Path) -> None:
    """Every byte of it; the same copied again is left as it is."""
    disk = tmp_path / "usb"
    disk.mkdir()
    place = copy_to(exported, disk)
    assert place == disk / "ferncliff" / "2026-03-02"
    assert {p.name: p.read_bytes() for p in place.iterdir()} == {p.name: p.read_bytes() for p in exported.iterdir()}
    assert check_folder(place).wrong == []
    assert copy_to(exported, disk) == place
    assert [p.name for p in place.parent.iterdir()] == ["2026-03-02"]


def test_disk_that_is_not_in_is_told(exported: Path, tmp_path: Path) -> None:
    """A mount point that is not there must not become a folder on the system's own disk."""
    with pytest.raises(InputError, match="put the disk in"):
        copy_to(exported, tmp_path / "usb")
    assert not (tmp_path / "usb").exists()


def test_other_export_of_that_name_is_not_overwritten(exported: Path, tmp_path: Path) -> None:
    """Nor is one that was changed since."""
    place = copy_to(exported, tmp_path)
    (place / "lots.json").write_text("{}")
    with pytest.raises(ExportError, match="nothing was overwritten"):
        copy_to(exported, tmp_path)
    assert (place / "lots.json").read_text() == "{}"


def test_copy_that_does_not_hold_leaves_nothing(exported: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that keeps other bytes than it was given: one sentence, and no half folder."""
    disk = tmp_path / "usb"
    disk.mkdir()
    copy = shutil.copyfile

    def spoilt(source: Path, target: Path) -> None:
        copy(source, target)
        if source.name == "readings.csv":
            whole = bytearray(target.read_bytes())
            whole[100] ^= 1
            target.write_bytes(whole)

    monkeypatch.setattr(shutil, "copyfile", spoilt)
    with pytest.raises(ExportError, match=r"does not hold: readings\.csv.*another disk"):
        copy_to(exported, disk)
    assert list((disk / "ferncliff").iterdir()) == []
