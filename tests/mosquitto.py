"""A real Mosquitto for every test that needs a broker, and certificates for one that speaks TLS.

`mosquitto(*lines)` gives a started broker with those lines in its configuration; all of them are ended with the test.
Where the program is missing, what needs it is skipped and says so; where CI=true that is a failure.
"""

import datetime
import ipaddress
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from tests.missing import not_tested

PATH = os.environ["PATH"] + ":/usr/sbin:/usr/local/sbin"
WAIT_S = 30
DAY = datetime.timedelta(days=1)


class Broker:
    """One Mosquitto with its own port and data. It saves its state at every change, as ours is told to; `end(SIGKILL)` is kill -9."""

    def __init__(self, program: str, folder: Path, lines: tuple[str, ...]) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = int(free.getsockname()[1])
        self.folder, self._program = folder, program
        self.config = folder / "mosquitto.conf"
        self.config.write_text(
            f"listener {self.port} 127.0.0.1\npersistence true\npersistence_location {folder}/\n"
            "autosave_on_changes true\nautosave_interval 1\n"
            "set_tcp_nodelay true\nmax_inflight_messages 1000\nmax_queued_messages 0\n" + "\n".join(lines) + "\n"
        )
        if os.geteuid() == 0:
            self.config.write_text(self.config.read_text() + "user root\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it answers."""
        self.process = subprocess.Popen([self._program, "-c", str(self.config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + WAIT_S
        while True:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            assert self.process.poll() is None, "the broker did not start"
            assert time.monotonic() < deadline, "the broker does not answer"
            time.sleep(0.02)

    def end(self, how: int = signal.SIGTERM) -> None:
        """End it, if it runs."""
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(WAIT_S)
            self.process = None


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    """Starts brokers; without lines of its own one lets anybody in."""
    program = shutil.which("mosquitto", path=PATH)
    if program is None:
        not_tested("mosquitto is not installed, so MQTT was not tried against a real broker; install it")
    made: list[Broker] = []

    def make(*lines: str) -> Broker:
        folder = tmp_path / f"broker-{len(made)}"
        folder.mkdir()
        made.append(Broker(program, folder, lines or ("allow_anonymous true",)))
        made[-1].start()
        return made[-1]

    yield make
    for broker in made:
        broker.end(signal.SIGKILL)


@pytest.fixture
def password_file(tmp_path: Path) -> Callable[[str, str], Path]:
    """Makes the broker's file of one name and its password."""
    maker = shutil.which("mosquitto_passwd", path=PATH)

    def make(name: str, password: str) -> Path:
        assert maker is not None, "mosquitto is installed without mosquitto_passwd"
        file = tmp_path / "passwords"
        subprocess.run([maker, "-b", "-c", str(file), name, password], check=True, capture_output=True)
        return file

    return make


Signed = tuple[x509.Certificate, ec.EllipticCurvePrivateKey]


@pytest.fixture
def certificates(tmp_path: Path) -> Path:
    """A folder with `ca.pem` and, signed by it, `server`, `expired` and `client` (.pem and .key); and `other.pem`, which signed none."""
    folder = tmp_path / "certificates"
    folder.mkdir()
    now = datetime.datetime.now(datetime.UTC)

    def make(name: str, issuer: Signed | None = None, until: datetime.datetime = now + 30 * DAY) -> Signed:
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        signed_by, signer = (subject, key) if issuer is None else (issuer[0].subject, issuer[1])
        builder = x509.CertificateBuilder(signed_by, subject, key.public_key(), x509.random_serial_number(), now - 60 * DAY, until)
        builder = builder.add_extension(x509.BasicConstraints(issuer is None, None), critical=True)
        builder = builder.add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        if issuer is not None:
            here = x509.IPAddress(ipaddress.ip_address("127.0.0.1"))
            builder = builder.add_extension(x509.SubjectAlternativeName([here]), critical=False)
            builder = builder.add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer[1].public_key()), critical=False)
        certificate = builder.sign(signer, hashes.SHA256())
        (folder / f"{name}.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        (folder / f"{name}.key").write_bytes(private)
        return certificate, key

    authority = make("ca")
    make("server", authority)
    make("expired", authority, now - DAY)
    make("client", authority)
    make("other")
    return folder
