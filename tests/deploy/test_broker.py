"""The broker as installed: it starts beside Debian's own file, and lets in whom it should."""

from __future__ import annotations

import datetime
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from cryptography import x509
from paho.mqtt.enums import CallbackAPIVersion

from monitor import certificates as certificates_of
from monitor.config import load_config
from rules.quantity import from_datetime
from rules.reading import HOUR
from tests.deploy.board import DEPLOY, MOSQUITTO, PATH, ROOT, install
from tests.missing import not_tested
from tests.waiting import until


@pytest.fixture
def needs_mosquitto() -> None:
    if MOSQUITTO is None:
        not_tested("mosquitto is not installed, so its configuration was not tried; install it")


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@contextmanager
def started(board: Path, replaced: dict[str, str], port: int) -> Iterator[None]:
    """Mosquitto with the installed files read from a main file such as Debian's, lines of them replaced; it answers on `port`."""
    assert MOSQUITTO is not None
    etc = board / "etc/mosquitto"
    for conf in (etc / "conf.d").iterdir():
        text = conf.read_text()
        if str(etc) not in text:  # else it was started before
            text = text.replace("/etc/mosquitto/", f"{etc}/")
        for old, new in replaced.items():
            text = text.replace(old, new)
        conf.write_text(text)
    kept = board / "kept"
    kept.mkdir(exist_ok=True)
    for path in (etc, kept, etc / "larderer.passwd", etc / "larderer.acl"):
        path.chmod(0o777)  # started by root, Mosquitto works as a user of its own, which cannot look into root's folders
    subprocess.run(
        ["mosquitto_passwd", "-b", str(etc / "larderer.passwd"), "core-1", "of-core-1"], check=True, env=os.environ | {"PATH": PATH}
    )
    (etc / "larderer.passwd").chmod(0o777)
    main = etc / "mosquitto.conf"
    main.write_text(
        f"persistence true\npersistence_location {kept}/\nuser {os.environ.get('USER', 'root')}\ninclude_dir {etc / 'conf.d'}\n"
    )
    process = subprocess.Popen([MOSQUITTO, "-c", str(main)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)

    def answers() -> bool:
        assert process.poll() is None, process.stdout.read().decode() if process.stdout else ""
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) == 0

    try:
        until(answers, "the broker does not answer")
        yield
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=20)


@pytest.fixture
def broker(board: Path, needs_mosquitto: None) -> Iterator[tuple[int, str]]:
    """The installed broker; its port and the service's password."""
    port = free_port()
    with started(board, {"listener 1883 ": f"listener {port} "}, port):
        yield port, (board / "etc/larderer/broker-password").read_text().strip()


def connect(port: int, password: str | None) -> str:
    """What the broker answers to a client, with one message at QoS 1 taken where it is let in."""
    answer: list[str] = []
    client = paho.Client(CallbackAPIVersion.VERSION2)
    if password is not None:
        client.username_pw_set("larderer", password)
    client.on_connect = lambda c, u, f, code, p: answer.append(str(code))
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        until(lambda: bool(answer), "no answer from the broker")
        if answer[0] == "Success":
            sent = client.publish("larderer/ferncliff/probe/core-1/reading", b"{}", qos=1)
            until(sent.is_published, "the broker has not acknowledged a message")
    finally:
        client.disconnect()
        client.loop_stop()
    return answer[0]


def test_installed_broker_lets_in_the_service_and_nobody_else(broker: tuple[int, str]) -> None:
    """The configuration works beside Debian's own; a name and password are asked for."""
    port, password = broker
    assert connect(port, password) == "Success"
    assert connect(port, None) == "Not authorized"
    assert connect(port, password + "x") == "Not authorized"


def test_an_account_of_a_probe_writes_that_probe_only(broker: tuple[int, str]) -> None:
    """What core-1 says of another probe, or of the service's state, reaches nobody; its own readings do."""
    port, password = broker
    heard: list[str] = []
    subscribed: list[bool] = []
    service = paho.Client(CallbackAPIVersion.VERSION2)
    service.username_pw_set("larderer", password)
    service.on_message = lambda c, u, message: heard.append(message.topic)
    service.on_connect = lambda c, u, f, code, p: c.subscribe("#", qos=1)
    service.on_subscribe = lambda c, u, mid, codes, p: subscribed.append(True)
    service.connect("127.0.0.1", port)
    service.loop_start()
    gateway = paho.Client(CallbackAPIVersion.VERSION2)
    gateway.username_pw_set("core-1", "of-core-1")
    try:
        until(lambda: bool(subscribed), "the service could not subscribe")
        gateway.connect("127.0.0.1", port)
        gateway.loop_start()
        for topic in ("probe/core-2/reading", "status", "probe/core-1/reading"):
            gateway.publish(f"larderer/ferncliff/{topic}", b"1", qos=1)
        until(lambda: bool(heard), "no message came through")
    finally:
        for client in (gateway, service):
            client.disconnect()
            client.loop_stop()
    assert heard == ["larderer/ferncliff/probe/core-1/reading"]


@pytest.fixture
def door(board: Path, needs_mosquitto: None) -> Iterator[tuple[int, Path, str]]:
    """The installed broker with its door for the network: that door's port, the authority for probes, and the service's password."""
    if shutil.which("openssl") is None:
        not_tested("openssl is not installed, so the broker's door for the network was not tried; install openssl")
    told = install(board, "--broker-tls", "localhost,127.0.0.1")
    assert "give this file to every probe" in told
    port, inner = free_port(), free_port()
    with started(board, {"listener 1883 ": f"listener {inner} ", "listener 8883": f"listener {port} 127.0.0.1"}, port):
        yield port, board / "etc/mosquitto/larderer-tls/ca.crt", (board / "etc/larderer/broker-password").read_text().strip()


def gateway(name: str, password: str, authority: Path | None) -> paho.Client:
    """A probe's client, which trusts that authority; TLS is left out where there is none."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    if authority is not None:
        client.tls_set(str(authority))
    if name:
        client.username_pw_set(name, password)
    return client


def answer_of(client: paho.Client, host: str, port: int) -> str:
    """What the broker answers to its first packet."""
    answers: list[str] = []
    client.on_connect = lambda c, u, f, code, p: answers.append(str(code))
    client.connect(host, port)
    client.loop_start()
    try:
        until(lambda: bool(answers), "no answer from the broker")
    finally:
        client.disconnect()
        client.loop_stop()
    return answers[0]


def test_probes_come_in_over_tls_by_name_and_password(door: tuple[int, Path, str]) -> None:
    """By the board's address or name; without a password, or with a wrong one, nobody does."""
    port, authority, _ = door
    assert answer_of(gateway("core-1", "of-core-1", authority), "127.0.0.1", port) == "Success"
    assert answer_of(gateway("core-1", "of-core-1", authority), "localhost", port) == "Success"
    assert answer_of(gateway("core-1", "wrong", authority), "127.0.0.1", port) == "Not authorized"
    assert answer_of(gateway("", "", authority), "127.0.0.1", port) == "Not authorized"


def test_probe_tells_the_board_from_another(door: tuple[int, Path, str], certificates: Path) -> None:
    """A probe that trusts another authority, or reaches the board under a name it has no certificate for, sends nothing."""
    port, authority, _ = door
    shake(port, ssl.create_default_context(cafile=str(authority)), "127.0.0.1")
    with pytest.raises(ssl.SSLCertVerificationError, match="unable to get local issuer"):
        shake(port, ssl.create_default_context(cafile=str(certificates / "ca.pem")), "127.0.0.1")
    with pytest.raises(ssl.SSLCertVerificationError, match="Hostname mismatch"):
        shake(port, ssl.create_default_context(cafile=str(authority)), "elsewhere.example")


def shake(port: int, context: ssl.SSLContext, name: str) -> None:
    """A client's handshake with the board, which it knows by that name."""
    with (
        socket.create_connection(("127.0.0.1", port), timeout=30) as plain,
        context.wrap_socket(plain, server_hostname=name, do_handshake_on_connect=False) as safe,
    ):
        safe.do_handshake()


def test_old_protocols_come_in_by_no_door(door: tuple[int, Path, str]) -> None:
    """TLS 1.1 is refused; without TLS the broker hangs up."""
    port, authority, _ = door
    context = ssl.create_default_context(cafile=str(authority))
    context.set_ciphers("ALL:@SECLEVEL=0")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        context.minimum_version = ssl.TLSVersion.TLSv1
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    with pytest.raises((ssl.SSLError, ConnectionError)):
        shake(port, context, "127.0.0.1")
    with socket.create_connection(("127.0.0.1", port), timeout=30) as plain:
        plain.sendall(b"\x10\x10\x00\x04MQTT\x04\x02\x00\x3c\x00\x04gate")
        with suppress(ConnectionError):
            assert plain.recv(4) != b"\x20\x02\x00\x00", "a client without TLS was let in"


def test_rights_per_topic_hold_over_tls(door: tuple[int, Path, str]) -> None:
    """An account of one probe writes that probe's readings and nothing else."""
    port, authority, password = door
    heard: list[str] = []
    subscribed: list[bool] = []
    service, probe = gateway("larderer", password, authority), gateway("core-1", "of-core-1", authority)
    service.on_message = lambda c, u, message: heard.append(message.topic)
    service.on_connect = lambda c, u, f, code, p: c.subscribe("#", qos=1)
    service.on_subscribe = lambda c, u, mid, codes, p: subscribed.append(True)
    try:
        service.connect("127.0.0.1", port)
        service.loop_start()
        until(lambda: bool(subscribed), "the service could not subscribe")
        probe.connect("127.0.0.1", port)
        probe.loop_start()
        for topic in ("probe/core-2/reading", "status", "probe/core-1/reading"):
            probe.publish(f"larderer/ferncliff/{topic}", b"1", qos=1)
        until(lambda: bool(heard), "no message came through")
    finally:
        for client in (probe, service):
            client.disconnect()
            client.loop_stop()
    assert heard == ["larderer/ferncliff/probe/core-1/reading"]


def test_plain_door_is_for_this_machine_alone(board: Path) -> None:
    """With the door for the network and without it, the listener that has no TLS is on loopback."""
    if shutil.which("openssl") is not None:
        install(board, "--broker-tls", "board.local")
    listeners = {}
    for conf in (board / "etc/mosquitto/conf.d").iterdir():
        for line in re.findall(r"(?m)^listener .*", conf.read_text()):
            listeners[line] = "certfile" in conf.read_text()
    assert listeners.pop("listener 1883 127.0.0.1") is False
    assert all(listeners.values()), listeners


def test_door_s_secrets_are_kept_and_its_end_is_watched(board: Path) -> None:
    """Keys are readable by few; the next install makes nothing anew; the service, started before there was a door, rings a month before
    the certificate ends and not today."""
    if shutil.which("openssl") is None:
        not_tested("openssl is not installed, so the broker's certificate was not made; install openssl")
    shutil.copy(board / "etc/larderer/plan-example.toml", board / "etc/larderer/plan.toml")
    config = load_config(board / "etc/larderer/larderer.toml")
    install(board, "--broker-tls", "board.local,192.0.2.7,2001:db8::7")
    tls = board / "etc/mosquitto/larderer-tls"
    assert ((tls / "ca.key").stat().st_mode & 0o777, (tls / "broker.key").stat().st_mode & 0o777) == (0o600, 0o640)
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in board.rglob("*") if path.is_file()}
    install(board)
    install(board, "--broker-tls", "2001:db8::7,board.local,192.0.2.7")
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in board.rglob("*") if path.is_file()} == before
    ends = {file: certificates_of.end_of(file) for file in certificates_of.held(config)}
    end = next(at for file, at in ends.items() if file.name == "broker.crt")
    assert end is not None
    assert certificates_of.ending(ends, config, from_datetime(datetime.datetime.now(datetime.UTC))) == []
    assert [one.name for one in certificates_of.ending(ends, config, end - 20 * 24 * HOUR)] == ["broker.crt"]


def test_certificate_is_made_anew_for_other_names_and_before_its_end(board: Path) -> None:
    """The authority that probes trust stays; a certificate with too little left is renewed by the next install."""
    if shutil.which("openssl") is None:
        not_tested("openssl is not installed, so the broker's certificate was not made; install openssl")
    install(board, "--broker-tls", "board.local")
    tls = board / "etc/mosquitto/larderer-tls"
    authority, first = (tls / "ca.crt").read_bytes(), (tls / "broker.crt").read_bytes()
    install(board, "--broker-tls", "other.local")
    second = (tls / "broker.crt").read_bytes()
    made = x509.load_pem_x509_certificate(second)
    assert made.extensions.get_extension_for_class(x509.SubjectAlternativeName).value.get_values_for_type(x509.DNSName) == ["other.local"]
    made.verify_directly_issued_by(x509.load_pem_x509_certificate(authority))
    assert ((tls / "ca.crt").read_bytes(), second != first) == (authority, True)
    short = (DEPLOY / "broker_tls.sh").read_text().replace("tls_days=730", "tls_days=90")
    line = (
        f'dir="{board}"; opt="$dir/opt/larderer"; root="{ROOT}"; real=no; say() {{ :; }}; put() {{ :; }}; . {DEPLOY}/starting.sh\n{short}'
    )
    line += "\nrm $dir/etc/mosquitto/larderer-tls/made-for; broker_tls ''"
    subprocess.run(["sh", "-ec", line], check=True)
    ninety = (tls / "broker.crt").read_bytes()
    assert ninety != second
    assert "broker.crt for DNS:other.local" in install(board)
    assert (tls / "broker.crt").read_bytes() != ninety


@pytest.mark.parametrize(("names", "said"), [("a b/c", "is no host name"), ("-x", "is no host name"), (",", "names no host")])
def test_door_for_no_name_is_refused(board: Path, names: str, said: str) -> None:
    """The name is told, and no door is opened."""
    with pytest.raises(AssertionError, match=said):
        install(board, "--broker-tls", names)
    assert not (board / "etc/mosquitto/conf.d/larderer-tls.conf").exists()


def test_door_of_the_owner_s_own_is_left_alone(board: Path) -> None:
    """A listener on the same port would keep the broker from starting."""
    own = board / "etc/mosquitto/conf.d/site.conf"
    own.write_text("listener 8883\n")
    with pytest.raises(AssertionError, match="has a listener on 8883 already"):
        install(board, "--broker-tls", "board.local")
    assert not (board / "etc/mosquitto/conf.d/larderer-tls.conf").exists()
    assert own.read_text() == "listener 8883\n"


def test_door_that_was_moved_by_hand_stays_where_it_is(board: Path) -> None:
    """Another port survives the next install, and that is said; taking Larderer off leaves it and what it names too."""
    if shutil.which("openssl") is None:
        not_tested("openssl is not installed, so the broker's certificate was not made; install openssl")
    install(board, "--broker-tls", "board.local")
    conf = board / "etc/mosquitto/conf.d/larderer-tls.conf"
    mine = conf.read_text().replace("listener 8883", "listener 8884")
    conf.write_text(mine)
    assert f"{conf} was changed by hand" in install(board)
    subprocess.run([str(DEPLOY / "uninstall"), "--root", str(board), "--records-too"], check=True, capture_output=True)
    assert conf.read_text() == mine
    assert (board / "etc/mosquitto/larderer-tls/broker.key").is_file()


def test_reading_that_comes_before_the_service_is_back_is_kept_for_it(board: Path, needs_mosquitto: None) -> None:
    """After a power cut the broker is there first, and probes at once: what it acknowledges then reaches the service."""
    port = free_port()
    replaced = {"listener 1883 ": f"listener {port} "}
    password = (board / "etc/larderer/broker-password").read_text().strip()
    with started(board, replaced, port):
        connected_once(port, password, subscribe="larderer/ferncliff/probe/+/reading")
    with started(board, replaced, port):
        probe = gateway("core-1", "of-core-1", None)
        probe.connect("127.0.0.1", port)
        probe.loop_start()
        probe.publish("larderer/ferncliff/probe/core-1/reading", b"3.5", qos=1).wait_for_publish(30)
        probe.disconnect()
        probe.loop_stop()
        assert connected_once(port, password) == ["larderer/ferncliff/probe/core-1/reading"]


def connected_once(port: int, password: str, subscribe: str = "") -> list[str]:
    """The service's own session: subscribed once, then what was kept for it; ends with the first message, where none is subscribed."""
    heard: list[str] = []
    subscribed: list[bool] = []
    service = paho.Client(CallbackAPIVersion.VERSION2, "larderer-ferncliff", clean_session=False)
    service.username_pw_set("larderer", password)
    service.on_message = lambda c, u, message: heard.append(message.topic)
    service.on_subscribe = lambda c, u, mid, codes, p: subscribed.append(True)
    if subscribe:
        service.on_connect = lambda c, u, f, code, p: c.subscribe(subscribe, qos=1)
    service.connect("127.0.0.1", port)
    service.loop_start()
    try:
        until(lambda: bool(subscribed if subscribe else heard), "nothing came from the broker", 20)
    finally:
        service.disconnect()
        service.loop_stop()
    return heard


@pytest.fixture
def tls(board: Path) -> Path:
    """The folder of the broker's door, made for board.local."""
    if shutil.which("openssl") is None:
        not_tested("openssl is not installed, so the broker's certificate was not made; install openssl")
    install(board, "--broker-tls", "board.local")
    return board / "etc/mosquitto/larderer-tls"


def test_key_that_a_power_cut_left_without_its_certificate_is_replaced(board: Path, tls: Path) -> None:
    """The broker does not start with a key that is not its certificate's: the next install makes both anew."""
    subprocess.run(["openssl", "ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", str(tls / "broker.key")], check=True)
    assert "broker.crt for DNS:board.local" in install(board)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(tls / "broker.crt", tls / "broker.key")


def test_authority_whose_key_is_kept_elsewhere_is_not_replaced(board: Path, tls: Path) -> None:
    """Every probe trusts it: what needs its key says so, what does not goes on without."""
    (tls / "ca.key").rename(board / "ca.key")
    before = [(tls / name).read_bytes() for name in ("ca.crt", "broker.crt")]
    install(board)
    with pytest.raises(AssertionError, match=r"ca\.key is not there"):
        install(board, "--broker-tls", "other.local")
    assert [(tls / name).read_bytes() for name in ("ca.crt", "broker.crt")] == before
    (board / "ca.key").rename(tls / "ca.key")
    assert "broker.crt for DNS:other.local" in install(board)


def test_what_openssl_says_is_told(board: Path, tls: Path) -> None:
    """A certificate that cannot be signed says why; the one before stays in force."""
    before = (tls / "broker.crt").read_bytes()
    (tls / "ca.key").write_text("nothing of the kind\n")
    with pytest.raises(AssertionError, match=r"(?s)private key.*openssl did not make the broker's certificate"):
        install(board, "--broker-tls", "other.local")
    assert (tls / "broker.crt").read_bytes() == before


def test_file_that_cannot_be_written_ends_the_install(board: Path, tls: Path) -> None:
    """A part of a configuration would keep the broker from starting: what follows a failed step is not done."""
    conf = board / "etc/mosquitto/conf.d/larderer-tls.conf"
    conf.unlink()
    conf.with_name("larderer-tls.conf.new").mkdir()
    conf.with_name("larderer-tls.conf.new").joinpath("mosquitto-tls.conf").mkdir()
    with pytest.raises(AssertionError, match=r"mosquitto-tls\.conf"):
        install(board)
    assert not conf.exists()
