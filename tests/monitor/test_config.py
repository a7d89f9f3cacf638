"""The configuration: a good one is read whole, each mistake gets its one sentence, secrets stay secret."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.config import AlarmsConfig, Duty, ExportConfig, Person, Rung, load_config
from monitor.config_load import KEYS
from monitor.errors import ConfigError
from monitor.toml_lines import Lines
from rules.reading import MINUTE, SECOND

FOLDER = Path(__file__).parent / "configs"
BAD = sorted((FOLDER / "bad").glob("*.toml"))


def test_good_configuration_is_read_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Paths count from the file, spans are microseconds, other keys of a source are its driver's."""
    monkeypatch.setenv("LARDERER_TEST_BELL", "json://127.0.0.1:9/tam-token")
    config = load_config(FOLDER / "good.toml")
    assert config.plan == (FOLDER / "plan.toml").resolve()
    assert (config.server.port, config.server.public_url) == (0, "https://larder.example")
    assert config.mqtt is not None
    assert config.mqtt.password is not None
    assert config.mqtt.password.reveal() == "hush-broker"
    assert config.mqtt.topics == ({"topic": "yard/cooler/1", "probe": "air-1"},)
    assert [(s.driver, dict(s.options), s.line) for s in config.sources] == [("serial", {"port": "/dev/ttyUSB0"}, 24), ("mqtt", {}, 28)]
    assert config.persons[1] == Person("Tam Okafor", "reviewer", ("tam-mail",))
    phone, mail, horn, siren = config.bells
    assert phone.timeout == 10 * SECOND
    assert mail.url is not None
    assert mail.url.reveal() == "json://127.0.0.1:9/tam-token"
    assert horn.program == ("/bin/sh", "-c", "cat")
    assert (siren.topic, siren.on, siren.off, siren.off_when) == ("ferncliff/siren", "1", "0", "cleared")
    assert config.escalation[1] == Rung(10 * MINUTE, persons=("Tam Okafor",), at_least="medium", on_duty=True)
    assert config.alarms == AlarmsConfig(
        repeat=20 * MINUTE, all_well=390, all_well_to=("odile-phone",), nobody_on_duty=("Tam Okafor",), drill=660, drill_answer=20 * MINUTE
    )
    assert config.persons[0].mail == "odile@larder.example"
    assert config.duties == (Duty(("Odile Marsh",), (0, 1, 2, 3, 4, 6), 18 * 60, 6 * 60),)
    assert config.mqtt.answers == "ferncliff/answers"
    assert config.heartbeat is not None
    assert (config.heartbeat.method, config.heartbeat.every) == ("POST", MINUTE)
    assert config.mail_answers is not None
    assert (config.mail_answers.port, config.mail_answers.tls, config.mail_answers.folder) == (993, "on", "INBOX")
    assert config.export == ExportConfig(FOLDER.resolve() / "records", ("Tam Okafor",))


def test_secrets_are_in_no_text_of_the_configuration(monkeypatch: pytest.MonkeyPatch) -> None:
    """Printing or logging a configuration gives nothing away."""
    monkeypatch.setenv("LARDERER_TEST_BELL", "json://127.0.0.1:9/tam-token")
    config = load_config(FOLDER / "good.toml", check_bells=False)
    for text in (repr(config), str(config), str(config.mqtt), repr(config.heartbeat), repr(config.mail_answers)):
        assert "hush-broker" not in text
        assert "token" not in text


def test_least_configuration_has_no_bells_and_a_store_in_its_data_folder(tmp_path: Path) -> None:
    """A plan is enough to judge."""
    (tmp_path / "plan.toml").write_text("")
    (tmp_path / "larderer.toml").write_text('plan = "plan.toml"\n')
    config = load_config(tmp_path / "larderer.toml")
    assert (config.bells, config.escalation, config.mqtt, config.store_url.reveal()) == ((), (), None, "")
    assert config.data == (tmp_path / "data").resolve()


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_each_mistake_gets_one_sentence(path: Path) -> None:
    """The first line of each file says what its sentence must hold; nothing else is complained of."""
    wanted = path.read_text().splitlines()[0].removeprefix("# wants: ")
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    told = [p for p in caught.value.problems if wanted in p]
    assert told == list(caught.value.problems)
    assert told[0].startswith(path.name)
    assert all("hush" not in p for p in caught.value.problems)


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    """In the order of their lines."""
    path = tmp_path / "larderer.toml"
    path.write_text('[server]\nport = 70000\n[alarms]\nrepeat = "x"\n[[person]]\nrole = "boss"\n')
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    lines = [int(m[1]) if (m := re.search(r"line (\d+)", p)) else 0 for p in caught.value.problems]
    assert len(lines) == 5
    assert lines == sorted(lines)


def test_missing_file_and_wrong_encoding_are_said_plainly(tmp_path: Path) -> None:
    """Before anything else can be said."""
    with pytest.raises(ConfigError, match=r"cannot be read \(No such file or directory\); name an existing file with --config"):
        load_config(tmp_path / "larderer.toml")
    (tmp_path / "larderer.toml").write_bytes(b'plan = "caf\xe9.toml"\n')
    with pytest.raises(ConfigError, match="is not UTF-8 at byte 11"):
        load_config(tmp_path / "larderer.toml")


def test_lines_are_found_by_table_number_and_key() -> None:
    """Quoted keys and dotted tables too; what is not there falls back to its table, then to 0."""
    lines = Lines('a = 1\n[t]\n"b c" = 2\n[[x.y]]\nk = 1\n[[x.y]] # second\nk = 2\n')
    assert [lines.of("", 0, "a"), lines.of("t", 0, "b c"), lines.of("x.y", 0, "k"), lines.of("x.y", 1, "k")] == [1, 3, 5, 7]
    assert [lines.of("x.y", 1, "gone"), lines.of("gone", 0, "k")] == [6, 0]


@pytest.mark.parametrize(("table", "key"), [(table, key) for table, keys in KEYS.items() for key in keys])
def test_every_key_is_documented(table: str, key: str) -> None:
    """In its table's own section of the configuration's page."""
    page = (Path(__file__).parents[2] / "docs" / "configuration.md").read_text(encoding="utf-8")
    sections = re.split(r"^## ", page, flags=re.MULTILINE)
    section = sections[0] if not table else next(s for s in sections if re.match(rf"`\[+{table}\]+`", s))
    assert f"`{key}`" in section or (not table and re.search(rf"^## `\[+{key}\]+`", page, re.MULTILINE))
