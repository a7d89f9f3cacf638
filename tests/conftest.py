"""What tests in several folders share: brokers (`tests/mosquitto.py`), and the engines of the store: SQLite files, and a real PostgreSQL
server that the tests start in a folder of its own.

`database` gives the URL of an empty, migrated database on the engine that `engine` names. Where PostgreSQL's programs are
missing, what needs them is skipped and says so; where CI=true that is a failure.
"""

import ctypes
import itertools
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError

from monitor.store.database import Store
from tests.missing import not_tested
from tests.mosquitto import certificates, mosquitto, password_file

__all__ = ["certificates", "mosquitto", "password_file"]

WAIT_S = 60
USER = "larderer"


def programs() -> Path | None:
    """The folder of PostgreSQL's server programs, the newest that is installed; Debian keeps them out of the PATH."""
    on_path = shutil.which("initdb")
    if on_path and (Path(on_path).parent / "postgres").exists():
        return Path(on_path).parent
    found = [path.parent for path in Path("/usr/lib/postgresql").glob("*/bin/postgres") if (path.parent / "initdb").exists()]
    return max(found, key=lambda path: int(path.parent.name), default=None)


def _end_with_us() -> None:
    """Have the server shut down (SIGINT) where the tests are killed: prctl(2), PR_SET_PDEATHSIG."""
    ctypes.CDLL(None).prctl(1, signal.SIGINT)


class Server:
    """A PostgreSQL server on a socket in a folder of its own, run by a user without rights where we are root."""

    def __init__(self, at: Path | None = None) -> None:
        found = programs()
        if found is None:
            not_tested("PostgreSQL's server is not installed, so the store was tried on SQLite only; install postgresql")
        self.programs = found
        # Memory answers an fsync at once; a process that is killed takes nothing from it. A socket's name must be short.
        place = at if at is not None else Path("/dev/shm") if os.access("/dev/shm", os.W_OK) else None
        self.folder = Path(tempfile.mkdtemp(prefix="pg-", dir=place))
        self.data = self.folder / "data"
        self.identity: dict[str, object] = {}
        if os.geteuid() == 0:
            names = {entry.pw_name for entry in pwd.getpwall()}
            user = pwd.getpwnam("postgres" if "postgres" in names else "nobody")
            self.identity = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
            os.chown(self.folder, user.pw_uid, user.pw_gid)
        self.process: subprocess.Popen[bytes] | None = None
        self._run(["initdb", "-D", str(self.data), "-U", USER, "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync"])
        self._numbers = itertools.count(1)
        self.start()

    def _run(self, command: list[str]) -> None:
        done = subprocess.run(
            [str(self.programs / command[0]), *command[1:]],
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=WAIT_S,
            check=False,
            **self.identity,  # type: ignore[call-overload]
        )
        assert done.returncode == 0, done.stderr

    def start(self) -> None:
        """Start it, and wait until it answers."""
        settings = {
            "listen_addresses": "",
            "unix_socket_directories": str(self.folder),
            "max_connections": "40",
            "shared_buffers": "32MB",
            "logging_collector": "off",
            "autovacuum": "off",
        }
        options = [part for name, value in settings.items() for part in ("-c", f"{name}={value}")]
        with open(self.folder / "log", "ab") as log:
            self.process = subprocess.Popen(
                [str(self.programs / "postgres"), "-D", str(self.data), *options],
                cwd=self.folder,
                stdout=log,
                stderr=log,
                start_new_session=True,
                preexec_fn=_end_with_us,  # noqa: PLW1509 - it calls one function of the C library and takes no lock
                **self.identity,  # type: ignore[call-overload]
            )
        deadline = time.monotonic() + WAIT_S
        while True:
            try:
                self.sql("SELECT 1")
                return
            except OperationalError:
                if self.process.poll() is not None or time.monotonic() > deadline:
                    self.kill()
                    pytest.fail(f"the server did not come up: {(self.folder / 'log').read_text()[-2000:]}")
            time.sleep(0.05)

    def kill(self) -> None:
        """End every process of it, as a power cut would."""
        assert self.process is not None
        first = self.process.pid
        children = Path(f"/proc/{first}/task/{first}/children")
        for pid in [first, *(map(int, children.read_text().split()) if children.exists() else ())]:
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        self.process.wait(WAIT_S)

    def stop(self) -> None:
        """End it and remove everything."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(WAIT_S)
            except subprocess.TimeoutExpired:
                self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)

    def url(self, database: str) -> str:
        """The address of one of its databases."""
        return f"postgresql://{USER}@/{database}?host={self.folder}"

    def sql(self, statement: str, database: str = "postgres") -> list[tuple[object, ...]]:
        """Run one statement as the server's owner."""
        engine = create_engine(self.url(database).replace("postgresql:", "postgresql+psycopg:"), isolation_level="AUTOCOMMIT")
        try:
            with engine.connect() as conn:
                found = conn.execute(text(statement))
                return [tuple(row) for row in found] if found.returns_rows else []
        finally:
            engine.dispose()

    def fresh(self, template: str = "template1") -> str:
        """The address of a new database."""
        name = f"d{next(self._numbers)}"
        self.sql(f"CREATE DATABASE {name} TEMPLATE {template}")
        return self.url(name)

    def drop(self, url: str) -> None:
        """Remove a database, whoever is connected to it."""
        self.sql(f"DROP DATABASE IF EXISTS {url.split('@/')[1].split('?', maxsplit=1)[0]} WITH (FORCE)")


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Server]:
    """One server for the whole session, with a migrated database `empty` to be copied."""
    server = Server()
    try:
        server.sql("CREATE DATABASE empty")
        Store(server.url("empty")).open().close()
        yield server
    finally:
        server.stop()


@pytest.fixture
def own_server() -> Iterator[Server]:
    """A server that a test may kill."""
    server = Server()
    try:
        yield server
    finally:
        server.stop()


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated SQLite file with nothing in it, to be copied: migrating anew for each test would take most of the time."""
    path = tmp_path_factory.mktemp("empty") / "larderer.sqlite"
    Store(path).open().close()
    return path


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.full)])
def engine(request: pytest.FixtureRequest) -> str:
    """The engine of the store; a folder's conftest may have both tried in the default tier."""
    return str(request.param)


@pytest.fixture
def database(engine: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """An empty, migrated database on that engine."""
    if engine == "sqlite":
        yield str(shutil.copy(request.getfixturevalue("empty_file"), tmp_path / "larderer.sqlite"))
        return
    server: Server = request.getfixturevalue("postgresql")
    url = server.fresh("empty")
    yield url
    server.drop(url)


@pytest.fixture
def new_database(engine: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[], str]]:
    """Makes the address of a database without tables, anew each time."""
    numbers, made = itertools.count(1), []
    server: Server | None = None if engine == "sqlite" else request.getfixturevalue("postgresql")

    def make() -> str:
        if server is None:
            return str(tmp_path / f"new-{next(numbers)}.sqlite")
        made.append(server.fresh())
        return made[-1]

    yield make
    for url in made:
        if server is not None:
            server.drop(url)
