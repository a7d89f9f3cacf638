"""A board that boots: a Debian root written copy-on-write, with systemd as its PID 1 and a network of its own.

The root is an overlay (mount(8), overlayfs) in a mount namespace that a holder keeps, so that nothing of the machine is written and nothing
stays behind. `systemd-nspawn --boot` starts it and its own systemd starts the units, as on a board; a power cut is SIGKILL to that PID 1,
which takes every process with it. What the kernel has not yet written is kept then, unlike on a card. There is no udev in it: /sys is
not its own to write, so that systemd leaves systemd-udevd out.
"""

from __future__ import annotations

import ast
import ctypes
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from tests.bench.figures import children
from tests.deploy.board import PATH, ROOT
from tests.waiting import until

#: What a board has of the checkout (deploy/install copies from there).
PARTS = ("deploy", "monitor", "probes", "rules", "pyproject.toml", "README.md", "LICENSE")
#: $1: a folder to work in; $2: the root that is written over. The tmpfs goes with the namespace.
HOLD = """
set -eu
mount -t tmpfs -o size=3g,mode=755 tmpfs "$1"
mkdir "$1/upper" "$1/aside" "$1/board"
mount -t overlay overlay -o "lowerdir=$2,upperdir=$1/upper,workdir=$1/aside" "$1/board"
cp -L /etc/resolv.conf "$1/board/etc/resolv.conf.board"
mv "$1/board/etc/resolv.conf.board" "$1/board/etc/resolv.conf"
: >"$1/board/etc/machine-id"
: >"$1/held"
exec sleep infinity
"""
#: Runs in the board's network, with this Python: one request as JSON on standard input, status, headers and text on standard output.
ASK = """
import json, sys, urllib.error, urllib.request
wanted = json.load(sys.stdin)
body = None if wanted["body"] is None else json.dumps(wanted["body"]).encode()
request = urllib.request.Request("http://127.0.0.1:8080" + wanted["path"], body, wanted["headers"], method=wanted["method"])
try:
    answer = urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request, timeout=60)
except urllib.error.HTTPError as error:
    answer = error
print(json.dumps([answer.status, dict(answer.headers), answer.read().decode()]))
"""
#: The same way: one message at QoS 1.
PUBLISH = """
import json, sys
import paho.mqtt.publish
wanted = json.load(sys.stdin)
tls = {"ca_certs": wanted["authority"]} if wanted["authority"] else None
port = 8883 if tls else 1883
paho.mqtt.publish.single(wanted["topic"], wanted["body"], qos=1, hostname="127.0.0.1", port=port, auth=wanted["who"], tls=tls)
"""


def _end_with_us() -> None:
    """Have the child killed where the tests are: prctl(2), PR_SET_PDEATHSIG."""
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)


def why_not(folder: Path, *, boots: bool = True) -> str:
    """What is lacking here for a root of its own, or for a board that boots; blank where one can be."""
    if os.geteuid() != 0:
        return "it needs root"
    for program, package in (("systemd-nspawn", "systemd-container"), ("unshare", "util-linux")):
        if shutil.which(program, path=PATH) is None and (boots or package == "util-linux"):
            return f"{program} is not installed; install {package}"
    lower = folder.with_name(f"{folder.name}-lower")
    folder.mkdir(parents=True)
    (lower / "etc").mkdir(parents=True)
    once = HOLD.replace("exec sleep infinity", "")
    tried = subprocess.run(
        ["unshare", "--mount", "--propagation", "private", "sh", "-c", once, "sh", folder, lower],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return f"no root could be laid over another ({tried.stderr.strip()[-200:]})" if tried.returncode else ""


def package_index() -> dict[str, str]:
    """How this machine's pip finds its index, for the board's; PIP_CERT names a file of this machine."""
    listed = subprocess.run([sys.executable, "-m", "pip", "config", "list"], capture_output=True, text=True, check=False).stdout
    found = {}
    for line in listed.splitlines():
        key, _, value = line.partition("=")
        name = key.split(".")[-1]
        if name in ("index-url", "trusted-host", "cert", "proxy"):
            found[f"PIP_{name.upper().replace('-', '_')}"] = str(ast.literal_eval(value))
    return found | {key: os.environ[key] for key in ("http_proxy", "https_proxy", "no_proxy") if key in os.environ}


def index_answers(folder: Path) -> bool:
    """Whether packages can be had here."""
    pin = next(line for line in (ROOT / "deploy/requirements.txt").read_text().splitlines() if line.startswith("sdnotify=="))
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-cache-dir", "--retries", "1"]
    command += ["--dest", str(folder), pin]
    return subprocess.run(command, capture_output=True, check=False, timeout=120).returncode == 0


def copy_parts(source: Path, target: Path) -> None:
    """Copy what a board has of a checkout into a folder that is made."""
    target.mkdir(parents=True)
    for part in PARTS:
        if (source / part).is_dir():
            shutil.copytree(source / part, target / part, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy2(source / part, target / part)


class BootedBoard:
    """One board over the root `lower`, which is only read. Files of it: `root`."""

    def __init__(self, lower: Path, folder: Path) -> None:
        self._folder, self._log = folder, folder.with_name(f"{folder.name}.log")
        folder.mkdir(parents=True)
        self._holder = subprocess.Popen(
            ["unshare", "--mount", "--propagation", "private", "sh", "-c", HOLD, "sh", str(folder), str(lower)],
            stdin=subprocess.DEVNULL,
            preexec_fn=_end_with_us,  # noqa: PLW1509 - it calls one function of the C library and takes no lock
        )  # fmt: skip
        self._nspawn: subprocess.Popen[bytes] | None = None
        self._groups: list[Path] = []
        self._leader = 0
        self.root = Path("/proc", str(self._holder.pid), "root", *folder.parts[1:], "board")  # proc(5): its own view of the file system
        until(lambda: self._holder.poll() is not None or (self.root.parent / "held").exists(), "the root was not laid over the other")
        assert self._holder.poll() is None, "the root was not laid over the other"
        self._index = package_index()
        if "PIP_CERT" in self._index:
            (self.root / "etc/larderer-tests-ca.pem").write_bytes(Path(self._index["PIP_CERT"]).read_bytes())
            self._index["PIP_CERT"] = "/etc/larderer-tests-ca.pem"

    def bring(self, name: str = "larderer", source: Path = ROOT) -> str:
        """Copy the checkout onto the board; where it lies there."""
        copy_parts(source, self.root / "srv" / name)
        return f"/srv/{name}"

    def boot(self) -> None:
        """Switch it on, and wait until its systemd has started everything."""
        command = ["nsenter", "--target", str(self._holder.pid), "--mount", "systemd-nspawn", "--quiet"]
        command += ["--directory", f"{self._folder}/board", "--register=no", "--link-journal=no", "--private-network"]
        command += ["--boot", "--console=pipe"]
        joins = ""
        if not Path("/run/systemd/system").exists():  # no systemd outside that gives it a control group of its own
            command.append("--keep-unit")
            self._groups = self._own_groups()
            joins = "".join(f"echo $$ >'{group}/cgroup.procs'; " for group in self._groups)
        with open(self._log, "ab") as log:
            self._nspawn = subprocess.Popen(
                ["sh", "-c", f'{joins}exec "$@"', "sh", *command], stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                preexec_fn=_end_with_us,  # noqa: PLW1509 - the same
            )  # fmt: skip
        until(self._found, "the board's systemd did not start")
        state = self.run("systemctl", "is-system-running", "--wait", check=False).stdout.strip()
        assert state in ("running", "degraded"), f"{state}: {self._log.read_text()[-2000:]}"

    def _own_groups(self) -> list[Path]:
        """A control group for this board in systemd's hierarchies (cgroups(7)), so that two boards are not one."""
        places = []
        for line in Path("/proc/self/mounts").read_text().splitlines():
            _, place, kind, options, *_ = line.split()
            if kind == "cgroup2" or (kind == "cgroup" and "name=systemd" in options):
                places.append(Path(place) / f"larderer-board-{os.getpid()}-{self._holder.pid}")
                places[-1].mkdir(exist_ok=True)
        return places

    def _found(self) -> bool:
        """Look for the process that is PID 1 within."""
        assert self._nspawn is not None
        assert self._nspawn.poll() is None, f"the board did not start: {self._log.read_text()[-2000:]}"
        for child in children(self._nspawn.pid):
            with suppress(OSError):
                status = Path(f"/proc/{child}/status").read_text()
                inner = next(line.split()[-1] for line in status.splitlines() if line.startswith("NSpid:"))
                if inner == "1" and Path(f"/proc/{child}/comm").read_text().strip() == "systemd":
                    self._leader = child
                    return self.run("test", "-S", "/run/systemd/private", check=False).returncode == 0
        return False

    def cut(self) -> None:
        """Take its power away: SIGKILL to PID 1, and with it to every process."""
        assert self._nspawn is not None
        os.kill(self._leader, signal.SIGKILL)
        self._nspawn.wait(60)
        self._nspawn = None

    def run(self, *command: str, network: bool = False, check: bool = True, give: str = "") -> subprocess.CompletedProcess[str]:
        """Run a command on the board as root; with `network` it has this machine's, for packages."""
        spaces = ["--mount", "--uts", "--ipc", "--pid", *(() if network else ("--net",))]
        clean = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG": "C.UTF-8"}
        done = subprocess.run(
            ["nsenter", "--target", str(self._leader), *spaces, *command],
            input=give, env=clean | self._index, capture_output=True, text=True, check=False, timeout=280,
        )  # fmt: skip
        assert not check or done.returncode == 0, f"{' '.join(command)}: {done.stdout[-2000:]}{done.stderr[-3000:]}"
        return done

    def install(self, place: str, *words: str, code: int = 0) -> str:
        """Run deploy/install of a checkout on the board; what it said."""
        done = self.run(f"{place}/deploy/install", *words, network=True, check=False)
        if done.returncode != code:
            said = "".join(self.journal(unit)[-1500:] for unit in ("larderer", "mosquitto"))
            pytest.fail(f"deploy/install ended with {done.returncode}: {done.stderr[-3000:]}{said}")
        return done.stderr

    def shown(self, unit: str, *properties: str) -> dict[str, str]:
        """What systemd says of a unit."""
        text = self.run("systemctl", "show", unit, *(f"--property={name}" for name in properties)).stdout
        return dict(line.split("=", 1) for line in text.splitlines() if "=" in line)

    def inside(self, code: str, give: str = "") -> str:
        """Run Python of the tests in the board's network; what it printed."""
        done = subprocess.run(
            ["nsenter", "--target", str(self._leader), "--net", sys.executable, "-c", code],
            input=give, cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr[-2000:]
        return done.stdout

    def ask(self, method: str, path: str, body: object = None, headers: Mapping[str, str] | None = None) -> tuple[int, dict[str, str], str]:
        """One HTTP request to the service from the board itself."""
        wanted = {"method": method, "path": path, "body": body, "headers": {"Content-Type": "application/json", **(headers or {})}}
        status, told, text = json.loads(self.inside(ASK, json.dumps(wanted)))
        return status, told, text

    def publish(self, probe: str, value: float, who: Mapping[str, str] | None = None, *, tls: bool = False) -> None:
        """A reading in °F at QoS 1 to the broker, in the service's name or that of `who`; the broker has it afterwards."""
        service = {"username": "larderer", "password": (self.root / "etc/larderer/broker-password").read_text().strip()}
        # With its time: one that waits in the broker without it, while the service comes back, has no age.
        body = json.dumps({"value": value, "unit": "F", "time": time.time()})
        wanted = {"topic": f"larderer/ferncliff/probe/{probe}/reading", "body": body}
        authority = str(self.root / "etc/mosquitto/larderer-tls/ca.crt") if tls else ""
        self.inside(PUBLISH, json.dumps(wanted | {"who": who or service, "authority": authority}))

    def journal(self, unit: str) -> str:
        """What a unit has said since the last boot."""
        return self.run("journalctl", "--no-pager", "--boot", "--unit", unit, "--output", "cat").stdout

    def end(self) -> None:
        """Switch it off and forget it."""
        if self._nspawn is not None:
            self._nspawn.kill() if not self._leader else os.kill(self._leader, signal.SIGKILL)
            with suppress(subprocess.TimeoutExpired):
                self._nspawn.wait(60)
        self._holder.kill()
        self._holder.wait(60)
        for group in self._groups:
            for folder in [*sorted((p for p in group.rglob("*") if p.is_dir()), reverse=True), group]:
                with suppress(OSError):
                    folder.rmdir()


class Site:
    """What people do at a booted board's page: sign in once, start a lot, push readings, look."""

    def __init__(self, board: BootedBoard) -> None:
        self.board = board
        self._person: dict[str, str] = {}
        self._probe: dict[str, str] = {}

    def sign_in(self) -> None:
        """Add a person and a device with the installed command; the person signs in."""
        larderer = ("runuser", "-u", "larderer", "--", "larderer", "user", "add")
        config = ("--config", "/etc/larderer/larderer.toml")
        code = self.board.run(*larderer, "Odile Marsh", "--role", "operator", *config).stdout.split()[-1]
        token = self.board.run(*larderer, "gateway", "--role", "probe", *config).stdout.split()[-1]
        self._probe = {"Authorization": f"Bearer {token}"}
        body = {"name": "Odile Marsh", "secret": "of-this-test-only", "code": code}
        status, told, text = self.board.ask("POST", "/api/v1/session", body)
        assert status == 200, text
        cookie = next(value for key, value in told.items() if key.lower() == "set-cookie")
        self._person = {"Cookie": cookie.split(";")[0], "X-Form-Token": json.loads(text)["form_token"]}

    def post(self, path: str, body: object) -> Any:
        """An entry by the person."""
        status, _, text = self.board.ask("POST", f"/api/v1{path}", body, self._person)
        assert status in (200, 201), text
        return json.loads(text)

    def get(self, path: str) -> Any:
        """What the person is shown."""
        status, _, text = self.board.ask("GET", f"/api/v1{path}", None, self._person)
        assert status == 200, text
        return json.loads(text)

    def push(self, probe: str, value: float) -> None:
        """A reading of this moment in °F, by the device; it is durable afterwards."""
        status, _, text = self.board.ask("POST", "/api/v1/readings", [{"probe": probe, "value": value, "unit": "F"}], self._probe)
        assert status == 200, text
        assert "stored" in text, text

    def verdict(self, lot: str, limit: str) -> str:
        """How one limit of a lot stands."""
        return next(str(one["verdict"]) for one in self.get(f"/lots/{lot}")["limits"] if one["limit"] == limit)
