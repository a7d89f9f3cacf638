"""The command `larderer prove`: transcripts from files, each passed or told with what differs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from monitor.errors import InputError
from rules import transcript


def prove_paths(paths: list[Path], said: Callable[[str], None]) -> int:
    """Run every transcript under `paths`; 0 where all hold, 1 where one does not."""
    files: list[Path] = []
    for path in paths:
        if path.is_dir():
            files += sorted(p for p in path.rglob("*.toml") if "must-fail" not in p.relative_to(path).parts)
        elif path.is_file():
            files.append(path)
        else:
            raise InputError(f"{path} does not exist; write a transcript or a folder of them")
    if not files:
        raise InputError("there is no transcript (*.toml) there; write a file or a folder that has some")
    failed = 0
    for file in files:
        problems = transcript.run(file.read_text(encoding="utf-8"), str(file), _beside(file.parent))
        if problems:
            failed += 1
            said(f"FAILED  {file}")
            for problem in problems:
                said(f"        {problem}")
    said(f"{len(files) - failed} of {len(files)} transcripts hold.")
    return 1 if failed else 0


def _beside(folder: Path) -> Callable[[str], str]:
    """Reads a file that a transcript names, from the transcript's own folder."""
    return lambda name: (folder / name).read_text(encoding="utf-8")
