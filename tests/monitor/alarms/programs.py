"""Programs that tests write and use as bells."""

import sys
import textwrap
from pathlib import Path


def script(folder: Path, name: str, body: str) -> tuple[str, ...]:
    """A Python program in a folder, as a bell's `program` names it."""
    path = folder / name
    path.write_text(textwrap.dedent(body))
    return (sys.executable, str(path))
