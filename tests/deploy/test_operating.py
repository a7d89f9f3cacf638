"""The operating guide: commands, options and files that it names are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from monitor.cli import app
from tests.deploy.board import ROOT, install

GUIDE = (ROOT / "docs/operating.md").read_text(encoding="utf-8")
CODE = re.findall(r"`([^`]+)`", GUIDE)
COMMANDS = sorted({text.removeprefix("larderer ") for text in CODE if text.startswith("larderer ")})


@pytest.mark.parametrize("command", COMMANDS)
def test_guide_names_commands_and_options_that_there_are(command: str) -> None:
    """Each larderer command of the guide has a help text, and it names each option that the guide gives."""
    words = command.split()
    names = [word for word in words if re.fullmatch("[a-z]+", word) and word != "the"]
    told = CliRunner().invoke(app, [*names[:2], "--help"])
    assert told.exit_code == 0, told.output
    assert f"Usage: larderer {' '.join(names)}" in told.output
    for option in (word for word in words if word.startswith("--")):
        assert option in told.output


def test_guide_names_scripts_and_options_that_there_are() -> None:
    """deploy/install and deploy/uninstall are there and know what the guide says to give them."""
    scripts = [text.removeprefix("sudo ").split() for text in CODE if "deploy/" in text]
    assert {words[0] for words in scripts} == {"deploy/install", "deploy/uninstall", "deploy/Containerfile"}
    for name, *options in scripts:
        text = (ROOT / name).read_text(encoding="utf-8")
        assert all(f"{option}) " in text for option in options), name


def test_guide_takes_to_a_new_card_what_an_install_keeps(board: Path) -> None:
    """Each file that the next install leaves as somebody changed it is somebody's own, and a card without it refuses probes or people."""
    program = board / "opt/larderer"
    for path in (path for path in board.rglob("*") if path.is_file() and program not in path.parents):
        with path.open("a") as file:
            file.write("# mine\n")
    install(board)
    kept = [path for path in board.rglob("*") if path.is_file() and path.read_text().endswith("# mine\n")]
    assert len(kept) > 3
    told = re.findall(r"`(/[^`]+)`", GUIDE.partition("**To a new card.**")[2].partition("\n\n")[0])
    missing = [path for path in kept if not any(f"/{path.relative_to(board)}".startswith(place) for place in told)]
    assert missing == []
