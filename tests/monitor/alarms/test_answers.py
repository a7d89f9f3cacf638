"""Answers by mail and MQTT: over a real SMTP conversation, a real IMAP one, and a real broker, each on loopback."""

from __future__ import annotations

import json
import re
import socketserver
import threading
from collections.abc import Callable, Iterator
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor import ledger
from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import Cause
from monitor.alarms.ringer import Ringer
from monitor.answers import Answers, code_maker, find_code
from monitor.config import AlarmsConfig, BellConfig, Config, MailAnswers, Mqtt, Person, Secret
from monitor.mail_answers import Mailbox, by_address
from monitor.store.writer import Writer
from monitor.topic_answers import AnswerTopic
from rules.reading import HOUR, MINUTE, SECOND, Instant
from tests.mosquitto import Broker
from tests.waiting import until

KEY = b"k" * 32
PEOPLE = (
    Person("Odile Marsh", "operator", ("odile-phone",), "odile@larder.example"),
    Person("Tam Okafor", "reviewer", ("tam-phone",), "tam@larder.example"),
)


class Server(socketserver.ThreadingTCPServer):
    """A line-by-line server on loopback."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, handler: type[socketserver.BaseRequestHandler]) -> None:
        super().__init__(("127.0.0.1", 0), handler)
        self.port = int(self.server_address[1])
        threading.Thread(target=self.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()

    def close(self) -> None:
        self.shutdown()
        self.server_close()


class Smtp(Server):
    """Takes mails in (RFC 5321, as much as a sender needs)."""

    def __init__(self) -> None:
        taken = self.mails = list[EmailMessage]()

        class Talk(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                self.wfile.write(b"220 test ESMTP\r\n")
                while line := self.rfile.readline():
                    verb = line.split()[0].upper() if line.split() else b""
                    if verb == b"DATA":
                        self.wfile.write(b"354 go on\r\n")
                        lines = iter(self.rfile.readline, b".\r\n")
                        taken.append(message_from_bytes(b"".join(lines), policy=policy.default))  # type: ignore[arg-type]
                    elif verb == b"QUIT":
                        self.wfile.write(b"221 bye\r\n")
                        return
                    self.wfile.write(b"250 ok\r\n")

        super().__init__(Talk)


class Imap(Server):
    """One mailbox (RFC 3501, as much as a reader needs); `refuses` makes every sign-in fail."""

    def __init__(self) -> None:
        box = self
        self.mails: list[bytes] = []
        self.seen: set[int] = set()
        self.refuses = False

        class Talk(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                self.wfile.write(b"* OK test IMAP4rev1\r\n")
                while line := self.rfile.readline().decode().strip():
                    tag, _, rest = line.partition(" ")
                    verb = rest.upper()
                    if verb == "CAPABILITY":
                        self.say("* CAPABILITY IMAP4rev1")
                    elif verb.startswith("LOGIN") and (box.refuses or '"hush"' not in rest):
                        self.say(f"{tag} NO [AUTHENTICATIONFAILED] no such name or password")
                        continue
                    elif verb.startswith("SELECT"):
                        self.say(f"* {len(box.mails)} EXISTS")
                    elif verb.startswith("UID SEARCH"):
                        self.say("* SEARCH " + " ".join(str(n + 1) for n in range(len(box.mails)) if n not in box.seen))
                    elif found := re.match(r"UID FETCH (\d+) ", rest):
                        content = box.mails[int(found[1]) - 1]
                        self.wfile.write(
                            f"* {found[1]} FETCH (UID {found[1]} BODY[]<0> {{{len(content)}}}\r\n".encode() + content + b")\r\n"
                        )
                    elif found := re.match(r"UID STORE (\d+) ", rest):
                        box.seen.add(int(found[1]) - 1)
                    elif verb == "LOGOUT":
                        self.say("* BYE")
                        self.say(f"{tag} OK done")
                        return
                    self.say(f"{tag} OK done")

            def say(self, text: str) -> None:
                self.wfile.write(text.encode() + b"\r\n")

        super().__init__(Talk)

    def arrives(self, mail: EmailMessage) -> None:
        self.mails.append(mail.as_bytes(policy=policy.SMTP))


class Plant:
    """Alarms with codes in their messages, a writer, and the answers' own clock."""

    def __init__(self, bench: object, folder: Path, start: Instant) -> None:
        imap, smtp = Imap(), Smtp()
        self.imap, self.smtp, self.now = imap, smtp, start
        self.config = Config(
            folder / "larderer.toml", folder / "plan.toml", folder, persons=PEOPLE,
            bells=(BellConfig("odile-phone", program=("/bin/cat",)), BellConfig("tam-phone", program=("/bin/cat",))),
            escalation=bench.config.escalation[:1] + bench.config.escalation[2:],  # type: ignore[attr-defined]
            alarms=AlarmsConfig(all_well=None), mqtt=Mqtt("127.0.0.1", 1, answers="ferncliff/answers"),
            mail_answers=MailAnswers("127.0.0.1", imap.port, "larder", Secret("hush"), "off"),
        )  # fmt: skip
        self.bench = bench
        self.alarms = bench.alarms = Alarms(self.config, bench.alarms._ladder.site, ledger.append, code=code_maker(KEY))  # type: ignore[attr-defined]
        self.writer = Writer(bench.store)  # type: ignore[attr-defined]
        self.answers = Answers(self.writer.submit, self.alarms, KEY, 12 * HOUR, lambda: self.now)
        self.troubles: list[str] = []
        self.mailbox = Mailbox(self.config.mail_answers, by_address(PEOPLE), self.answers, self.troubles.append)  # type: ignore[arg-type]

    def message(self, person: str = "Odile Marsh") -> dict[str, object]:
        return next(row for row in reversed(self.bench.rows("alarm")) if row["person"] == person)  # type: ignore[attr-defined]

    def state(self) -> tuple[str, str, str]:
        (one,) = self.bench.open()  # type: ignore[attr-defined]
        return one["letter"], one["acknowledged_by"], one["comment"]

    def close(self) -> None:
        self.writer.close()
        self.imap.close()
        self.smtp.close()


@pytest.fixture
def plant(bench: object, tmp_path: Path, start: Instant, critical: Cause) -> Iterator[Plant]:
    """One critical alarm that has just rung Odile."""
    one = Plant(bench, tmp_path, start)
    bench.raise_(critical, start)  # type: ignore[attr-defined]
    yield one
    one.close()


def reply(body: str, sender: str = "Odile Marsh <Odile@larder.example>", **headers: str) -> EmailMessage:
    """A mail as a telephone sends it."""
    mail = EmailMessage()
    mail["From"], mail["To"], mail["Subject"] = sender, "answers@larder.example", "Re: CRITICAL A1"
    for name, value in headers.items():
        mail[name.replace("_", "-")] = value
    mail.set_content(body)
    return mail


def test_mail_that_was_sent_and_replied_to_acknowledges(plant: Plant) -> None:
    """The whole circle: through Apprise over SMTP, quoted by the reply, fetched over IMAP, acknowledged as Odile with her words."""
    row = plant.message()
    ringer = Ringer()
    try:
        url = f"mailto://127.0.0.1:{plant.smtp.port}/?mode=insecure&from=larder@larder.example&to=odile@larder.example&format=text"
        assert ringer.ring(url, str(row["title"]), str(row["body"]), 15.0) == ("delivered", "")
    finally:
        ringer.close()
    (mail,) = plant.smtp.mails
    sent = mail.get_body(("plain", "html"))
    assert sent is not None
    quoted = "".join(f"> {line}\n" for line in str(sent.get_content()).splitlines())
    plant.imap.arrives(reply(f"On my way, ten minutes.\n\nAm 2. Mrz schrieb Ferncliff Yard:\n{quoted}"))
    assert plant.mailbox.look() == 1
    assert plant.state() == ("C", "Odile Marsh", "On my way, ten minutes. (by mail)")
    assert plant.imap.seen == {0}
    assert plant.mailbox.look() == 0


def test_machines_reply_acknowledges_nothing(plant: Plant) -> None:
    """An out-of-office notice quotes the code, and nobody has seen the alarm (RFC 3834)."""
    plant.imap.arrives(reply(f"I am away.\n> {plant.message()['body']}", Auto_Submitted="auto-replied"))
    assert plant.mailbox.look() == 0
    assert plant.state()[0] == "B"
    assert plant.imap.seen == {0}


def test_code_counts_for_the_person_to_whom_it_was_sent(plant: Plant) -> None:
    """Odile's code from Tam's address, or from an address that is nobody's, is refused; Tam's attempt stands in the ledger."""
    code = find_code(str(plant.message()["body"]))
    plant.imap.arrives(reply(code, "Tam <tam@larder.example>"))
    plant.imap.arrives(reply(code, "odile@elsewhere.example"))
    assert plant.mailbox.look() == 0
    assert plant.state()[0] == "B"
    with plant.bench.store.read() as conn:  # type: ignore[attr-defined]
        (entry,) = ledger.entries(conn, kind="answer")
    assert (entry.by, entry.body["refused"]) == ("Tam Okafor", "it was sent to Odile Marsh")


def test_what_is_not_signed_or_has_expired_is_refused_in_words(plant: Plant) -> None:
    """A guessed code, one of another message, one that is too old; each with its sentence, and the alarm stands as it stood."""
    code = find_code(str(plant.message()["body"]))
    assert re.fullmatch(r"M\d+(-[A-Z2-7]{4}){4}", code)
    altered = code[:-1] + ("A" if code[-1] != "A" else "B")
    for text in (altered, code.replace("M1-", "M2-"), "M999999-AAAA-AAAA-AAAA-AAAA"):
        told = plant.answers.take(text, "Odile Marsh", "mail")
        assert not told.counted
        assert "not one of ours" in told.text
    for text in ("I have seen it", "M1-\u212aAAA-AAAA-AAAA-AAAA"):  # the sign for kelvin, which is a K in small letters
        assert "there is no code" in plant.answers.take(text, "Odile Marsh", "mail").text
    plant.now += 12 * HOUR + SECOND
    assert "expired" in plant.answers.take(code, "Odile Marsh", "mail").text
    assert plant.state()[0] == "B"


def test_no_number_of_refusals_blocks_an_answer(plant: Plant) -> None:
    """No lock-out: after three hundred wrong codes the right one counts at once, also typed by hand in small letters."""
    code = find_code(str(plant.message()["body"]))
    for n in range(300):
        plant.answers.take(f"M1-AAAA-AAAA-AAAA-{'ABCDEFGHIJKLMNOP'[n % 16]}AAA", "Odile Marsh", "MQTT")
    assert plant.answers.take(f"  {code.lower()} ", "Odile Marsh", "MQTT").counted
    assert plant.state()[:2] == ("C", "Odile Marsh")


def test_code_stays_that_of_its_own_alarm(plant: Plant, cooler: Cause) -> None:
    """An answer to the first message acknowledges the first alarm alone."""
    code = find_code(str(plant.message()["body"]))
    plant.bench.raise_(cooler, plant.now)  # type: ignore[attr-defined]
    assert plant.answers.take(code, "Odile Marsh", "mail").counted
    assert sorted(a["letter"] for a in plant.bench.open()) == ["B", "C"]  # type: ignore[attr-defined]


def test_reply_in_html_and_in_a_strange_charset_is_read_or_passed_over(plant: Plant) -> None:
    """A page is read as its text; what cannot be read at all stops nothing."""
    code = find_code(str(plant.message()["body"]))
    broken = reply("x")
    broken.set_param("charset", "no-such-charset")
    plant.imap.arrives(broken)
    page = EmailMessage()
    page["From"], page["Subject"] = "odile@larder.example", "Re: alarm"
    page.set_content(f"<html><body><p>Seen.</p><blockquote>{code}</blockquote></body></html>", subtype="html")
    plant.imap.arrives(page)
    assert plant.mailbox.look() == 1
    assert plant.state() == ("C", "Odile Marsh", "Seen. (by mail)")


@pytest.mark.parametrize("broken", [b'From: "', b"From: <", b"From: Odile Marsh <odile@[larder.example>"])
def test_mail_with_broken_headers_does_not_keep_the_next_from_being_heard(plant: Plant, broken: bytes) -> None:
    """The mail library gives up on each of them in a way of its own."""
    plant.imap.mails.append(broken + b"\r\nSubject: nothing\r\n\r\nNothing.\r\n")
    plant.imap.arrives(reply(find_code(str(plant.message()["body"]))))
    assert plant.mailbox.look() == 1
    assert plant.imap.seen == {0, 1}
    assert plant.state()[:2] == ("C", "Odile Marsh")


def test_mailbox_that_is_away_rings_after_three_times_and_says_when_it_is_back(plant: Plant) -> None:
    """Once, not at every look; what came meanwhile is then taken."""
    plant.imap.refuses = True
    plant.mailbox._config = MailAnswers("127.0.0.1", plant.imap.port, "larder", Secret("hush"), "off", every=10_000)
    stop = threading.Event()
    thread = threading.Thread(target=plant.mailbox.run, args=(stop,), daemon=True)
    thread.start()
    until(lambda: len(plant.troubles) == 1)
    assert "no such name or password" in plant.troubles[0]
    plant.imap.arrives(reply(find_code(str(plant.message()["body"]))))
    plant.imap.refuses = False
    until(lambda: plant.troubles[1:] == [""])
    until(lambda: plant.state()[0] == "C")
    stop.set()
    thread.join(20)
    assert not thread.is_alive()


@pytest.fixture
def broker(mosquitto: Callable[..., Broker]) -> int:
    """A real broker on a free port."""
    return mosquitto().port


def test_answer_on_the_brokers_topic_acknowledges_and_is_told_back(plant: Plant, broker: int) -> None:
    """One that is refused changes nothing; one given while nobody listened is heard at the next start."""
    code = find_code(str(plant.message()["body"]))
    told: list[dict[str, object]] = []
    ready = threading.Event()
    panel = paho.Client(CallbackAPIVersion.VERSION2, "panel")
    panel.on_message = lambda _c, _d, message: told.append(json.loads(message.payload))
    panel.on_subscribe = lambda *_: ready.set()
    panel.connect("127.0.0.1", broker)
    panel.subscribe("ferncliff/answers/told", qos=1)
    panel.loop_start()
    assert ready.wait(20)

    def listen() -> tuple[threading.Event, threading.Thread]:
        stop, plant.troubles[:] = threading.Event(), []
        topic = AnswerTopic(
            Mqtt("127.0.0.1", broker, answers="ferncliff/answers"), "larderer-test-answers", plant.answers, plant.troubles.append
        )
        thread = threading.Thread(target=topic.run, args=(stop,), daemon=True)
        thread.start()
        until(lambda: plant.troubles == [""])
        return stop, thread

    def end(stop: threading.Event, thread: threading.Thread) -> None:
        stop.set()
        thread.join(20)
        assert not thread.is_alive()

    listening = listen()
    for payload in ("rubbish", json.dumps({"person": "Tam Okafor", "answer": code}), json.dumps({"person": 7, "answer": code}), "[" * 4000):
        panel.publish("ferncliff/answers", payload, qos=1)
    until(lambda: len(told) == 4)
    assert [one["counted"] for one in told] == [False, False, False, False]
    assert "sent to somebody else" in str(told[1]["text"])
    assert plant.state()[0] == "B"
    end(*listening)
    panel.publish("ferncliff/answers", json.dumps({"person": "Odile Marsh", "answer": code, "comment": "coming"}), qos=1).wait_for_publish(
        20
    )
    listening = listen()
    until(lambda: len(told) == 5)
    assert told[4]["counted"] is True
    assert plant.state() == ("C", "Odile Marsh", "coming (by MQTT)")
    end(*listening)
    panel.disconnect()
    panel.loop_stop()


def test_message_says_how_to_answer_and_its_first_line_stays_short(plant: Plant) -> None:
    """The code stands on a line of its own, after what matters; who has no mail is told the bare code."""
    lines = str(plant.message()["body"]).splitlines()
    assert len(lines[0]) <= 160
    assert any(line.startswith("Or reply, and leave this in it: M") for line in lines[1:])
    plant.bench.due(plant.now + 10 * MINUTE)  # type: ignore[attr-defined]
    assert find_code(str(plant.message("Tam Okafor")["body"])) != find_code(str(plant.message()["body"]))
