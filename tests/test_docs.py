"""The pages for people say what is there: every file and function they name exists, every command and setting is in them."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
import typer

from monitor.cli import app
from monitor.config_load import KEYS

ROOT = Path(__file__).resolve().parent.parent
README, DEVELOPERS, SETTINGS = ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "docs" / "configuration.md"
_FOLDERS = ("rules", "probes", "monitor", "deploy", "tests", "docs")


def quoted(page: Path) -> list[str]:
    """Everything between backquotes on a line, outside blocks of code."""
    text = re.sub(r"(?ms)^```.*?^```", "", page.read_text(encoding="utf-8"))
    return [" ".join(found.split()) for found in re.findall(r"`([^`]+)`", text)]


def places(page: Path) -> list[tuple[str, tuple[str, ...]]]:
    """The files and folders a page names, each with the names it says are in it: `file.py: Class.method, function`."""
    found = []
    for text in quoted(page):
        path, _, names = text.partition(": ")
        if path.split("/")[0] in _FOLDERS and "/" in path and " " not in path:
            found.append((path, tuple(name.strip() for name in names.split(",") if name.strip())))
    return found


def defined(file: Path) -> set[str]:
    """Every class, function, method and module-level name of a module."""

    def names(body: list[ast.stmt], prefix: str = "") -> Iterator[str]:
        for node in body:
            if isinstance(node, ast.ClassDef):
                yield prefix + node.name
                yield from names(node.body, f"{prefix}{node.name}.")
            elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                yield prefix + node.name
            elif isinstance(node, ast.Assign | ast.AnnAssign):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                yield from (prefix + target.id for target in targets if isinstance(target, ast.Name))

    return set(names(ast.parse(file.read_text(encoding="utf-8")).body))


def commands(group: click.Command | None = None, prefix: str = "larderer") -> Iterator[str]:
    """Every command as a person types it."""
    one = typer.main.get_command(app) if group is None else group
    children = getattr(one, "commands", None)
    if children is None or getattr(one, "invoke_without_command", False):
        yield prefix
    for name, child in (children or {}).items():
        yield from commands(child, f"{prefix} {name}")


@pytest.mark.parametrize("page", [README, DEVELOPERS, ROOT / "docs" / "judging-choices.md"], ids=lambda page: page.name)
def test_every_place_a_page_names_is_there(page: Path) -> None:
    """A file, folder or function named in the pages exists under that name."""
    for path, names in places(page):
        place = ROOT / path
        assert place.exists(), f"{page.name} names {path}, which is not there"
        if names:
            missing = set(names) - defined(place)
            assert not missing, f"{page.name} says that {path} has {', '.join(sorted(missing))}"


def test_walk_of_a_reading_names_its_stations() -> None:
    """The check above has something to check: the walk names functions from the wire to the bell."""
    named = {path for path, names in places(DEVELOPERS) if names}
    for station in ("probes/lines.py", "monitor/intake.py", "monitor/store/writer.py", "rules/engine.py", "monitor/alarms/courier.py"):
        assert station in named


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=lambda page: page.name)
def test_links_of_a_page_lead_somewhere(page: Path) -> None:
    """Every relative link points to a file of the checkout."""
    links = re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8"))
    for link in links:
        assert (page.parent / link).exists(), f"{page.name} links to {link}, which is not there"


def test_every_command_is_in_the_readme() -> None:
    """What `larderer --help` offers, at every depth, stands in the README, and nothing else does."""
    there = set(commands())
    told = {text for text in quoted(README) if re.fullmatch(r"larderer [a-z ]+", text)}
    assert there - told == set()
    assert told - there == set()


def test_every_setting_is_in_the_configuration_page() -> None:
    """Each key that a configuration may hold is explained under the heading of its table."""
    text = SETTINGS.read_text(encoding="utf-8")
    parts = re.split(r"(?m)^## ", text)
    for table, keys in KEYS.items():
        heading = f"[[{table}]]" if table in ("source", "person", "duty", "bell", "escalation") else f"[{table}]"
        if table:
            part = next((p for p in parts if p.split("\n", 1)[0].strip(" `") == heading), None)
            assert part is not None, f"docs/configuration.md has no heading for {heading}"
        else:
            part = text
        for key in keys:
            assert f"`{key}`" in part or f"[{key}]" in part, f"docs/configuration.md does not explain {key} of {heading}"


def test_every_setting_is_in_the_example() -> None:
    """The example configuration shows every key, or names it in a remark."""
    text = (ROOT / "deploy" / "larderer.toml").read_text(encoding="utf-8")
    for keys in KEYS.values():
        for key in keys:
            assert re.search(rf"\b{key}\b", text), f"deploy/larderer.toml does not show {key}"


def test_bench_table_says_when_and_where_it_was_measured() -> None:
    """The table of figures carries its date and its machine, and a verdict in each row."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    part = text.partition("<!-- bench -->")[2].partition("<!-- /bench -->")[0]
    assert re.search(r"\d{4}-\d\d-\d\d, \d+ cores", part)
    rows = [line for line in part.splitlines() if line.startswith("| ") and not line.startswith("| what")]
    assert rows
    for row in rows:
        assert re.search(r"\| (met|not met|no aim stated) \|$", row), row


def test_cautions_are_in_the_readme() -> None:
    """The README says what the tool is not."""
    text = " ".join(README.read_text(encoding="utf-8").split())
    for words in ("does not replace one", "validated", "the inspector decide", "last calibration", "toxic in excess"):
        assert words in text


def test_no_page_words_a_verdict_about_food() -> None:
    """No page says of food that it is safe: a limit was met, or it was not."""
    for page in (README, DEVELOPERS, SETTINGS, ROOT / "CHANGELOG.md"):
        assert not re.search(r"\bsafe\b", page.read_text(encoding="utf-8"), re.IGNORECASE), page.name
