"""What is shipped: the wheel works outside the checkout, and the pins are what the tests run with."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("monitor", "probes", "rules")


@pytest.fixture(scope="session")
def project() -> dict[str, Any]:
    with (ROOT / "pyproject.toml").open("rb") as file:
        return tomllib.load(file)


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy of what git knows or would know, without any network."""
    copy = tmp_path_factory.mktemp("source")
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", *ROOMS, "pyproject.toml", "README.md", "LICENSE"],
        cwd=ROOT, capture_output=True, check=True,
    )  # fmt: skip
    for name in filter(None, listed.stdout.decode().split("\0")):
        source = ROOT / name
        if source.is_file():
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            (copy / name).write_bytes(source.read_bytes())
    out = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-index", "--no-deps", "--no-build-isolation", "-w", str(out), str(copy)]
    done = subprocess.run(build, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return next(out.glob("larderer-*.whl"))


@pytest.fixture(scope="session")
def unpacked(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel installed into a folder of its own."""
    target = tmp_path_factory.mktemp("installed")
    install = [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps", "--target", str(target), str(wheel)]
    done = subprocess.run(install, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return target


def larderer(unpacked: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """The installed command, run where no checkout is."""
    environment = {"PATH": os.environ["PATH"], "HOME": str(folder), "PYTHONPATH": str(unpacked), "COLUMNS": "200"}
    # -P: the folder of the script is not searched, so nothing but the installed packages can be found.
    command = [sys.executable, "-P", str(unpacked / "bin" / "larderer"), *arguments]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)


def test_installed_command_says_what_it_can_do(unpacked: Path, tmp_path: Path) -> None:
    """`larderer --help` works from the wheel, outside the checkout."""
    done = larderer(unpacked, tmp_path, "--help")
    assert done.returncode == 0, done.stderr
    for command in ("run", "demo", "judge", "books", "verify"):
        assert command in done.stdout


def test_installed_books_are_the_ones_of_the_checkout(unpacked: Path, tmp_path: Path) -> None:
    """Every limit book is in the wheel."""
    done = larderer(unpacked, tmp_path, "books")
    assert done.returncode == 0, done.stderr
    for book in (ROOT / "rules" / "books").glob("*.toml"):
        assert book.stem in done.stdout


def test_installed_plan_check_reads_the_shipped_plan(unpacked: Path, tmp_path: Path) -> None:
    """The plan that the demonstration runs by lies in the wheel, and its books with it."""
    done = larderer(unpacked, tmp_path, "plan", "check", str(unpacked / "monitor" / "demo" / "plan.toml"))
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_file_of_the_rooms_is_in_the_wheel(wheel: Path) -> None:
    """No module, template, style, book or migration is left behind."""
    listed = subprocess.run(["git", "ls-files", "-z", *ROOMS], cwd=ROOT, capture_output=True, check=True)
    there = {name for name in listed.stdout.decode().split("\0") if name and (ROOT / name).is_file()}
    with zipfile.ZipFile(wheel) as archive:
        assert there - set(archive.namelist()) == set()


def test_package_list_names_every_package(project: dict[str, Any]) -> None:
    """The list in pyproject.toml is explicit, and complete."""
    found = {str(init.parent.relative_to(ROOT)).replace(os.sep, ".") for room in ROOMS for init in (ROOT / room).rglob("__init__.py")}
    assert set(project["tool"]["setuptools"]["packages"]) == found


def pins(*names: str) -> dict[str, str]:
    """Name and version of every line of the files of pins."""
    lines = [line for name in names for line in (ROOT / "deploy" / name).read_text(encoding="utf-8").splitlines()]
    found = [line.partition(" ;") for line in lines if line and not line.startswith(("#", "-r "))]
    return dict(pin.split("==") for pin, _, marker in found if not marker or Marker(marker).evaluate())


def test_pins_satisfy_the_project(project: dict[str, Any]) -> None:
    """Every dependency is pinned, at a version that the project asks for."""
    run, every = pins("requirements.txt"), pins("requirements.txt", "requirements-test.txt")
    wanted = [(text, run) for text in [*project["project"]["dependencies"], *project["build-system"]["requires"]]]
    wanted += [(text, every) for text in project["project"]["optional-dependencies"]["test"]]
    for text, found in wanted:
        one = Requirement(text)
        name = canonicalize_name(one.name)
        assert name in found, f"{name} is not pinned; run deploy/pin.py"
        assert one.specifier.contains(found[name]), f"{name}=={found[name]} does not satisfy {text}"


def test_pins_are_the_versions_that_are_tested() -> None:
    """What is pinned is what these tests run with."""
    every = pins("requirements.txt", "requirements-test.txt")
    assert {name: version(name) for name in every} == every


def test_every_import_of_a_third_party_is_declared(project: dict[str, Any]) -> None:
    """The rooms import nothing that pyproject.toml does not name."""
    import ast
    from importlib.metadata import packages_distributions

    declared = {canonicalize_name(Requirement(text).name) for text in project["project"]["dependencies"]}
    extras = {name: texts for name, texts in project["project"]["optional-dependencies"].items() if name != "test"}
    optional = {canonicalize_name(Requirement(text).name) for texts in extras.values() for text in texts}
    imported: dict[str, str] = {}
    at_once: set[str] = set()
    for file in (file for room in ROOMS for file in (ROOT / room).rglob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and node.module and not node.level:
                names = [node.module]
            imported |= {name.partition(".")[0]: str(file.relative_to(ROOT)) for name in names}
            at_once |= {name.partition(".")[0] for name in names if node in tree.body}
    known = packages_distributions()
    for name, file in imported.items():
        if name in sys.stdlib_module_names or name in ROOMS:
            continue
        distributions = {canonicalize_name(one) for one in known.get(name, [])}
        assert distributions & (declared | optional), f"{file} imports {name}, which pyproject.toml does not name"
        assert distributions & declared or name not in at_once, f"{file} imports {name} at once, which only an extra brings"
