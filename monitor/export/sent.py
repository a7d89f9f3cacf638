"""A day's export brought to another folder, such as one on a USB disk: whole and checked there, or not at all."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import mkdtemp

from monitor.errors import ExportError, InputError, MonitorError
from monitor.export.verify import check_folder


def copy_to(export: Path, target: Path) -> Path:
    """Copy an export folder to `target`/<site id>/<its name> and read the copy back; where it stands.

    The same export there already is left as it is. Raises InputError where `target` is no folder, ExportError where it cannot be
    written or the copy does not hold; nothing is overwritten, and nothing half stays behind.
    """
    if not target.is_dir():
        raise InputError(f"{target} is no folder; put the disk in, or name a folder that is there")
    home = target / export.parent.name
    place = home / export.name
    if place.exists():
        if _same(export, place):
            return place
        raise ExportError(f"{place} is there already and is not this export; move it elsewhere, nothing was overwritten")
    part: Path | None = None
    try:
        home.mkdir(exist_ok=True)
        part = Path(mkdtemp(prefix=f".{export.name}.", suffix=".part", dir=home))
        for path in sorted(export.iterdir()):
            shutil.copyfile(path, part / path.name)
            _sync(part / path.name)
        wrong = check_folder(part).wrong
        if wrong:
            raise ExportError(f"the copy at {target} does not hold: {wrong[0]}; try another disk")
        part.chmod(0o755)
        os.rename(part, place)
        _sync(home)
    except OSError as error:
        raise ExportError(f"{target} cannot be written ({error.strerror or error}); look to the disk and its room") from error
    finally:
        if part is not None and part.exists():
            shutil.rmtree(part, ignore_errors=True)
    return place


def _same(export: Path, place: Path) -> bool:
    try:
        alike = (export / "manifest.json").read_bytes() == (place / "manifest.json").read_bytes()
    except OSError:
        return False
    return alike and not check_folder(place).wrong


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def main(arguments: Sequence[str] | None = None) -> int:
    """`python -m monitor.export.sent EXPORT TARGET`: print where the copy stands; 2 and one sentence where there is none."""
    export, target = (Path(argument) for argument in (sys.argv[1:] if arguments is None else arguments))
    try:
        print(copy_to(export, target))
    except (MonitorError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
