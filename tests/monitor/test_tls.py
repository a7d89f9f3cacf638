"""HTTPS by the configuration's own certificate, over real sockets."""

from __future__ import annotations

import asyncio
import ssl
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest

from monitor import certificates as held
from monitor.config import Server, load_config
from monitor.errors import RefusedError
from monitor.service import Service
from monitor.tls import options
from rules.reading import HOUR
from tests.ferncliff import COOLER, SITE


@pytest.fixture
def make(tmp_path: Path, certificates: Path) -> Iterator[Callable[..., Service]]:
    """Makes a service that holds the named certificate and key."""
    made: list[Service] = []

    def one(cert: str = "server.pem", key: str = "server.key") -> Service:
        (tmp_path / "plan.toml").write_text(SITE + COOLER, encoding="utf-8")
        text = f'plan = "plan.toml"\n[server]\nport = 0\ntls_cert = "{certificates / cert}"\ntls_key = "{certificates / key}"\n'
        (tmp_path / "larderer.toml").write_text(text, encoding="utf-8")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sdnotify drops its socket unclosed where no service manager listens
            made.append(Service(load_config(tmp_path / "larderer.toml"), drivers=(), tick_s=3600.0, exports=False))
        return made[-1]

    yield one
    for service in made:
        service.close()


@pytest.fixture
def served(make: Callable[..., Service]) -> Iterator[Service]:
    """A service that answers over HTTPS."""
    service = make()
    service.start()
    thread = threading.Thread(target=lambda: asyncio.run(service.serve()), daemon=True)
    thread.start()
    deadline = time.monotonic() + 20
    while not service.answering and time.monotonic() < deadline:
        time.sleep(0.01)
    yield service
    service.stop()
    thread.join(30)
    assert not thread.is_alive()


def test_page_and_api_answer_over_https_only(served: Service, certificates: Path) -> None:
    """The browser is told to stay with HTTPS and the session's cookie never travels without it; plain HTTP gets no answer."""
    code = served.people.first_run_code()
    with httpx.Client(base_url=served.url(), verify=ssl.create_default_context(cafile=str(certificates / "ca.pem"))) as http:
        health = http.get("/api/v1/health")
        opened = http.post("/api/v1/session", json={"name": "Odile Marsh", "secret": "juniper-9", "code": code})
    assert served.url().startswith("https://127.0.0.1:")
    assert health.headers["strict-transport-security"] == "max-age=2592000"
    assert opened.status_code == 200
    assert "secure" in opened.headers["set-cookie"].lower()
    with pytest.raises(httpx.HTTPError):
        httpx.get(served.url().replace("https", "http"))


def test_old_protocols_and_weak_ciphers_get_no_connection(served: Service, certificates: Path) -> None:
    """TLS 1.2 with forward secrecy is the least (RFC 9325, sections 3.1.1 and 4.2, 2022)."""
    context = ssl.create_default_context(cafile=str(certificates / "ca.pem"))
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers("AES128-SHA:AES256-GCM-SHA384")  # RSA key exchange: whoever gets the key reads what was recorded
    with httpx.Client(verify=context) as http, pytest.raises(httpx.ConnectError):
        http.get(served.url())
    context.set_ciphers("ECDHE+AESGCM")
    with httpx.Client(verify=context) as http:
        assert http.get(served.url() + "api/v1/health").status_code == 200


def test_key_of_another_certificate_is_one_sentence_before_anything_listens(make: Callable[..., Service]) -> None:
    """It names both files and says what to write."""
    service = make(key="other.key")
    with pytest.raises(RefusedError, match=r"server\.pem and other\.key cannot be used for HTTPS .*private key it was made for"):
        service.bind()


def test_server_certificate_is_among_those_whose_end_rings(make: Callable[..., Service], certificates: Path) -> None:
    """An ended certificate is a page that no phone opens."""
    service = make()
    ends = {file: held.end_of(file) for file in held.held(service.config)}
    end = ends[certificates / "server.pem"]
    assert end is not None
    assert next(one.text for one in held.ending(ends, service.config, end - HOUR)).endswith("After that no phone opens the page.")


def test_without_a_certificate_nothing_is_asked_of_the_server() -> None:
    """Plain HTTP stays the default, for this machine."""
    assert options(Server()) == {}
