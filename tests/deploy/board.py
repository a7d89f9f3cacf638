"""A board in a folder: what deploy/ installs, put under a root of its own."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
PATH = os.environ["PATH"] + ":/usr/sbin:/sbin"
MOSQUITTO = shutil.which("mosquitto", path=PATH)


def install(folder: Path, *words: str) -> str:
    """Run deploy/install into a root of its own; what it said."""
    done = subprocess.run(
        [str(DEPLOY / "install"), "--root", str(folder), "--files-only", *words],
        capture_output=True, text=True, check=False, env=os.environ | {"PATH": PATH},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stderr
