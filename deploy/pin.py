#!/usr/bin/env python3
"""Write deploy/requirements.txt and deploy/requirements-test.txt: the exact versions installed where the tests have just passed.

Run it with the Python of that environment: .venv-test/bin/python deploy/pin.py
"""

from __future__ import annotations

import tomllib
from importlib.metadata import requires, version
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parent.parent


def closure(wanted: list[str]) -> dict[str, str]:
    """The wanted distributions and everything they need here, with the installed version of each."""
    found: dict[str, str] = {}
    seen: set[tuple[str, frozenset[str]]] = set()
    waiting = [Requirement(text) for text in wanted]
    while waiting:
        one = waiting.pop()
        name = canonicalize_name(one.name)
        key = (name, frozenset(one.extras))
        if key in seen:
            continue
        seen.add(key)
        found[name] = version(name)
        for text in requires(name) or []:
            needed = Requirement(text)
            if needed.marker is None or any(needed.marker.evaluate({"extra": extra}) for extra in ("", *one.extras)):
                waiting.append(needed)
    return found


def markers(wanted: list[str]) -> dict[str, str]:
    """The conditions under which some of the wanted distributions are wanted at all."""
    found = [Requirement(text) for text in wanted]
    return {canonicalize_name(one.name): f" ; {one.marker}" for one in found if one.marker is not None}


def write(path: Path, about: str, pins: dict[str, str], where: dict[str, str], first: str = "") -> None:
    """Write one file of pins, sorted by name; `where` holds the conditions of some."""
    lines = [
        f"# {about}",
        "# Written by deploy/pin.py; change pyproject.toml instead, then run the tests and deploy/pin.py.",
        *([first] if first else []),
    ]
    path.write_text("\n".join([*lines, *(f"{name}=={pins[name]}{where.get(name, '')}" for name in sorted(pins))]) + "\n", encoding="utf-8")


def main() -> None:
    """Read pyproject.toml, look up what is installed, write both files."""
    with (ROOT / "pyproject.toml").open("rb") as file:
        data = tomllib.load(file)
    project, build = data["project"], data["build-system"]["requires"]
    run = closure([*project["dependencies"], *build])
    extra = project["optional-dependencies"]["test"]
    test = closure([*project["dependencies"], *build, *extra])
    more = {name: text for name, text in test.items() if name not in run}
    write(ROOT / "deploy/requirements.txt", "What Larderer runs with, exactly.", run, {})
    write(ROOT / "deploy/requirements-test.txt", "What the tests need besides, exactly.", more, markers(extra), "-r requirements.txt")


if __name__ == "__main__":
    main()
