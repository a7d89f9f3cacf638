"""The container file: what it copies is there, what it runs is there, and its health check tells well from unwell.

It is read and its commands are tried here; no image is built, for that needs a registry.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest
from typer.testing import CliRunner

from monitor.cli import app
from tests.deploy.board import ROOT

FILE = ROOT / "deploy/Containerfile"


def steps() -> list[tuple[str, str]]:
    """Each instruction and what follows it, continued lines put together."""
    text = re.sub(r"(?m)^#.*\n", "", FILE.read_text(encoding="utf-8")).replace("\\\n", " ")
    found = [line.split(None, 1) for line in text.splitlines() if line.strip()]
    return [(words[0], " ".join(words[1].split())) for words in found]


def of(name: str) -> list[str]:
    return [rest for word, rest in steps() if word == name]


def test_container_file_has_instructions_that_there_are() -> None:
    """Every line is one of the instructions of Containerfile(5), and each stage begins with a plain base image."""
    known = {"FROM", "RUN", "COPY", "ENV", "USER", "WORKDIR", "VOLUME", "EXPOSE", "STOPSIGNAL", "HEALTHCHECK", "ENTRYPOINT", "CMD"}
    assert {word for word, _ in steps()} <= known
    bases = of("FROM")
    assert len(bases) == 2
    assert all(re.fullmatch(r"[a-z]+:[a-z0-9.-]+( AS [a-z]+)?", base) for base in bases), "a registry's host name is named"


def test_container_copies_files_that_are_there_and_all_packages() -> None:
    """What is copied from the checkout exists, and every package of the project is among it."""
    copied = [word for rest in of("COPY") if not rest.startswith("--from=") for word in rest.split()[:-1]]
    assert [name for name in copied if not (ROOT / name).exists()] == []
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert set(project["tool"]["importlinter"]["root_packages"]) <= set(copied)
    assert {"pyproject.toml", "deploy/requirements.txt", project["project"]["readme"]} <= set(copied)


def test_container_runs_a_python_that_the_project_takes() -> None:
    """The base image's Python is one that pyproject.toml allows."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    least = tuple(map(int, re.findall(r"\d+", project["project"]["requires-python"])[:2]))
    assert all(tuple(map(int, re.findall(r"(\d+)\.(\d+)", base)[0])) >= least for base in of("FROM"))


def test_container_runs_a_command_that_there_is_as_a_user_of_its_own() -> None:
    """The entry is a script of the project, its words are taken, and it is not root that runs it, on a volume for the records."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    [entry], command = json.loads(of("ENTRYPOINT")[-1]), json.loads(of("CMD")[-1])
    assert entry in project["project"]["scripts"]
    told = CliRunner().invoke(app, [command[0], "--help"])
    assert told.exit_code == 0
    assert command[1] in told.output
    words = [word for word, _ in steps()]
    assert of("USER") == ["larderer"]
    assert words.index("USER") > max(i for i, word in enumerate(words) if word == "RUN")
    assert any("useradd" in rest and rest.endswith(" larderer") for rest in of("RUN"))
    assert of("VOLUME") == ["/var/lib/larderer"]


@contextmanager
def answering(status: int) -> Iterator[tuple[int, list[str]]]:
    """A server that answers with that status; its port, and what it was asked for."""
    asked: list[str] = []

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Answer)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield server.server_port, asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.mark.parametrize(("status", "code"), [(200, 0), (503, 1)])
def test_health_check_of_the_container_tells_well_from_unwell(status: int, code: int) -> None:
    """Its command ends with 0 while the service says 200, with 1 while it says 503, and asks where health is told."""
    from monitor.api.health import router

    [check] = of("HEALTHCHECK")
    command = json.loads(check.partition(" CMD ")[2])
    assert command[0] == "python"
    with answering(status) as (port, asked):
        words = [word.replace(f":{of('EXPOSE')[0]}/", f":{port}/") for word in command[1:]]
        done = subprocess.run([sys.executable, *words], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == code
    assert asked == ["/api/v1/health"]
    assert asked[0] in {getattr(route, "path", "") for route in router.routes}
