"""People, probes and bells set up without JavaScript: what holds at once, what waits for the next start, what is on record."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from monitor import ledger
from monitor.config import load_config
from monitor.desk import Hand
from monitor.errors import MonitorError
from monitor.judge import read_plan
from monitor.set_up import SetUp
from monitor.store.writer import Writer

TAM = "Tam Okafor"


def config_file(site: Any) -> Path:
    return Path(site.service.config.path)


def on_record(site: Any, kind: str) -> list[tuple[str, str, str]]:
    """What was done, to what, by whom, newest last."""
    with site.service.store.read() as conn:
        found = [e for e in ledger.entries(conn) if e.kind == kind]
    return [(str(e.body["what"]), str(e.body["name"]), e.by) for e in found]


def test_person_is_added_with_a_code_and_sets_a_pin_of_their_own(site: Any, plain: Any) -> None:
    """They are in at once, their code is shown once and stands in no cookie, and the file is untouched where no bell was ticked."""
    before = config_file(site).read_text()
    plain.sign_in("reviewer")
    plain.get("/set-up/people")
    answer = plain.send("/set-up/people", name="Wren  Calloway", role="operator", mail="")
    code = re.search(r'class="tag-lot">([A-Z0-9]{10})<', answer.text)
    assert code is not None, answer.text
    assert code[1] not in str(plain.http.cookies)
    assert config_file(site).read_text() == before
    assert code[1] not in plain.get("/set-up/people").text
    plain.get("/")
    plain.send("/sign-out")
    plain.get("/first-run")
    inside = plain.send("/first-run", code=code[1], name="Wren Calloway", secret="bramble-7", again="bramble-7")
    assert "You are signed in as Wren Calloway (operator)" in inside.text
    assert ("added", "Wren Calloway", TAM) in on_record(site, "person")


def test_ways_to_be_reached_are_written_into_the_file_and_the_page_says_from_when(site: Any, plain: Any) -> None:
    """The file keeps its remarks, its own loader reads it, and the page does not pretend that it holds already."""
    plain.sign_in("reviewer")
    plain.get("/set-up/bells")
    plain.send("/set-up/bells", bell="odile-phone", way="url", where="json://127.0.0.1:9/none", at_once="yes")
    assert plain.page is not None
    assert "holds from the next start of the service" in plain.page.text
    plain.get("/set-up/people/Odile%20Marsh")
    answer = plain.send("/set-up/people/Odile%20Marsh", role="operator", bells=["odile-phone"], mail="odile@larder.example")
    assert "holds from the next start of the service" in answer.text
    assert "Is reached by odile-phone. <b>From the next start.</b>" in answer.text
    text = config_file(site).read_text()
    assert "# Kept by hand." in text
    made = load_config(config_file(site))
    odile = made.person("Odile Marsh")
    assert odile is not None
    assert (odile.bells, odile.mail, odile.role) == (("odile-phone",), "odile@larder.example", "operator")
    assert [(r.after, r.bells) for r in made.escalation] == [(0, ("odile-phone",))]
    assert on_record(site, "configuration") == [("bell added", "odile-phone", TAM), ("person changed", "Odile Marsh", TAM)]


def test_address_of_a_bell_is_kept_apart_and_never_shown(site: Any, plain: Any) -> None:
    """It stands in a file that only the service reads: not in the configuration, not on the page, not on record."""
    plain.sign_in("reviewer")
    plain.get("/set-up/bells")
    answer = plain.send("/set-up/bells", bell="tam-phone", way="url", where="json://secretword@127.0.0.1:9/x", at_once="yes")
    secret = config_file(site).parent / "bell-tam-phone.url"
    assert (secret.read_text().strip(), secret.stat().st_mode & 0o777) == ("json://secretword@127.0.0.1:9/x", 0o600)
    assert "secretword" not in answer.text + config_file(site).read_text()
    with site.service.store.read() as conn:
        assert not [e for e in ledger.entries(conn) if "secretword" in str(e.body)]


def test_bell_that_cannot_ring_leaves_nothing_behind(site: Any, plain: Any) -> None:
    """An address that is none, a topic without a broker: a sentence, the form as it was, no file and no entry."""
    before = config_file(site).read_text()
    plain.sign_in("reviewer")
    plain.get("/set-up/bells")
    answer = plain.send("/set-up/bells", bell="odile-phone", way="url", where="no address at all")
    assert answer.status_code == 422
    assert 'value="no address at all"' in answer.text
    answer = plain.send("/set-up/bells", bell="horn", way="topic", where="shed/horn")
    assert "there is no [mqtt]" in answer.text
    assert config_file(site).read_text() == before
    assert not list(config_file(site).parent.glob("bell-*"))
    assert not list(config_file(site).parent.glob(".*trial"))
    assert on_record(site, "configuration") == []


def test_ticked_bells_stay_ticked_where_a_person_is_refused(site: Any, plain: Any) -> None:
    """What was typed and ticked is still in the form: else the next press would add somebody whom nothing reaches."""
    plain.sign_in("reviewer")
    plain.get("/set-up/bells")
    plain.send("/set-up/bells", bell="odile-phone", way="url", where="json://127.0.0.1:9/none")
    plain.get("/set-up/people")
    answer = plain.send("/set-up/people", name=TAM, role="operator", bells=["odile-phone"], mail="wren@larder.example")
    assert answer.status_code == 422
    assert 'name="bells" value="odile-phone" checked' in answer.text
    assert 'value="wren@larder.example"' in answer.text


def test_order_in_which_bells_are_tried_stays_when_something_else_is_changed(site: Any, plain: Any) -> None:
    """The form shows a person's bells in their own order, so that sending it as it is changes nothing."""
    plain.sign_in("reviewer")
    for bell in ("shed-horn", "odile-phone"):
        plain.get("/set-up/bells")
        plain.send("/set-up/bells", bell=bell, way="url", where="json://127.0.0.1:9/none", at_once="yes")
    path = config_file(site)
    wanted = 'role = "operator"\nbells = ["odile-phone", "shed-horn"]'
    path.write_text(path.read_text().replace('name = "Odile Marsh"\nrole = "operator"', f'name = "Odile Marsh"\n{wanted}'))
    shown = plain.get("/set-up/people/Odile%20Marsh").text
    sent = re.findall(r'name="bells" value="([^"]+)" checked', shown)
    assert sent == ["odile-phone", "shed-horn"]
    plain.send("/set-up/people/Odile%20Marsh", role="operator", bells=sent, mail="odile@larder.example")
    odile = load_config(path).person("Odile Marsh")
    assert odile is not None
    assert (odile.bells, odile.mail) == (("odile-phone", "shed-horn"), "odile@larder.example")


def test_bell_that_cannot_be_put_on_record_leaves_a_configuration_that_loads(site: Any) -> None:
    """The store fails once the file was replaced: the address that the configuration names now is still there."""
    service = site.service
    writer = Writer(service.store)
    writer.close()
    desk = SetUp(service.config, service.plan, writer, site.clock)
    with pytest.raises(MonitorError):
        desk.add_bell(Hand(TAM, "reviewer"), "odile-phone", "url", "json://127.0.0.1:9/none", at_once=True)
    assert load_config(config_file(site)).bell("odile-phone") is not None


def test_bell_is_tested_and_what_came_of_it_is_told(site: Any, plain: Any) -> None:
    """Nobody listens at its address: the page says that it did not ring."""
    plain.sign_in("reviewer")
    plain.get("/set-up/bells")
    plain.send("/set-up/bells", bell="odile-phone", way="url", where="json://127.0.0.1:9/none")
    answer = plain.send("/set-up/bells/odile-phone/test")
    assert "odile-phone did not ring" in answer.text
    assert ("bell tested", "odile-phone", TAM) in on_record(site, "configuration")


def test_role_changes_at_once_and_stays_after_the_next_start(site: Any, plain: Any) -> None:
    """Service and file agree; the only reviewer keeps the role, since somebody must sign."""
    plain.sign_in("reviewer")
    plain.get("/set-up/people/Rowan%20Inspector")
    answer = plain.send("/set-up/people/Rowan%20Inspector", role="operator", mail="")
    assert "<b>Rowan Inspector</b>, operator" in answer.text
    person = load_config(config_file(site)).person("Rowan Inspector")
    assert person is not None
    assert person.role == "operator"
    plain.get("/set-up/people/Tam%20Okafor")
    answer = plain.send("/set-up/people/Tam%20Okafor", role="operator", mail="")
    assert "the only reviewer who can sign in" in answer.text
    assert 'role = "reviewer"' in config_file(site).read_text()


def test_removed_person_is_out_at_once_and_struck_from_the_file(site: Any, plain: Any) -> None:
    """Their session ends, the file names them no more, and what they wrote stays."""
    plain.sign_in("reviewer")
    plain.get("/set-up/people/Odile%20Marsh")
    answer = plain.send("/set-up/people/Odile%20Marsh/remove")
    assert "Odile Marsh has no access any more" in answer.text
    assert load_config(config_file(site)).person("Odile Marsh") is None
    assert "Odile Marsh" not in plain.get("/set-up/people").text
    assert ("removed", "Odile Marsh", TAM) in on_record(site, "person")


def test_new_code_ends_the_old_pin(site: Any, plain: Any) -> None:
    """The old PIN opens nothing from then on."""
    plain.sign_in("reviewer")
    plain.get("/set-up/people/Odile%20Marsh")
    assert "Code for Odile Marsh" in plain.send("/set-up/people/Odile%20Marsh/code").text
    plain.get("/")
    plain.send("/sign-out")
    plain.get("/sign-in")
    assert plain.send("/sign-in", name="Odile Marsh", secret="juniper-9").status_code == 401


def test_own_pin_is_changed_with_the_old_one_only(site: Any, plain: Any) -> None:
    """A wrong old PIN changes nothing; the right one does, and this phone stays signed in."""
    plain.sign_in("operator")
    plain.get("/pin")
    answer = plain.send("/pin", old="wrong-one", new="hazel-22", again="hazel-22")
    assert "The old PIN is not right" in answer.text
    answer = plain.send("/pin", old="juniper-9", new="hazel-22", again="hazel-22")
    assert "your new PIN holds from now on" in answer.text
    plain.send("/sign-out")
    plain.get("/sign-in")
    assert "You are signed in" in plain.send("/sign-in", name="Odile Marsh", secret="hazel-22").text


def test_operator_sets_nothing_up(site: Any, plain: Any) -> None:
    """An operator sees no way to it and is refused where one is made up."""
    plain.sign_in("operator")
    assert 'href="/set-up"' not in plain.get("/").text
    for path in ("/set-up", "/set-up/people", "/set-up/probes", "/set-up/bells", "/set-up/people/Tam%20Okafor"):
        answer = plain.get(path)
        assert (answer.status_code, "is not a reviewer" in answer.text) == (409, True), path


def test_probe_given_by_its_port_is_heard_and_written_into_both_files(site: Any, plain: Any, port: str) -> None:
    """It reads now, it stands in the plan and in the configuration, and the page says that it judges from the next start."""
    plain.sign_in("reviewer")
    plain.get("/set-up/probes?look=1")
    wanted = {"given": f"serial:{port}", "probe": "core-4", "place": "core", "room": "", "uncertainty": "0.5", "unit": "C", "baud": "9600"}
    answer = plain.send("/set-up/probes", **wanted)
    assert "Probe core-4 is added" in answer.text, answer.text
    assert "It reads 37.9 °F now" in answer.text
    assert f"core-4</b>: core. Fed by serial, {port}. <b>From the next start.</b>" in answer.text
    made = load_config(config_file(site))
    assert [(s.driver, s.options["port"]) for s in made.sources] == [("serial", port)]
    assert "core-4" in read_plan(made.plan).probe_by_id
    assert on_record(site, "configuration") == [("probe added", "core-4", TAM)]


def test_probe_that_says_nothing_is_not_written(site: Any, plain: Any) -> None:
    """What is missing or silent is told in plain words, with what was typed kept, and both files stay."""
    before = config_file(site).read_text(), (config_file(site).parent / "plan.toml").read_text()
    plain.sign_in("reviewer")
    plain.get("/set-up/probes?look=1")
    answer = plain.send("/set-up/probes", given="serial:/dev/no-such-port", probe="core-4", place="core", room="")
    assert "Unit of its values is missing; write it." in answer.text
    answer = plain.send("/set-up/probes", given="serial:/dev/no-such-port", probe="core-4", place="core", room="", unit="C", baud="9600")
    assert answer.status_code == 422
    assert 'value="serial:/dev/no-such-port"' in answer.text
    assert before == (config_file(site).read_text(), (config_file(site).parent / "plan.toml").read_text())
    assert on_record(site, "configuration") == []
