"""What an MQTT message says: our topic, mapped topics, faults, and messages of unknown age."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.errors import SettingError
from probes.mqtt import load
from probes.mqtt_payload import MOST_BYTES, Payloads, TopicMap
from rules.quantity import fahrenheit, parse_instant
from rules.reading import SECOND, Fault, Reading

NOW = parse_instant("2026-03-02T13:00:00Z")
OURS = "larderer/ferncliff/probe/core-1/reading"
MAPS = [
    TopicMap("shop/t1", "core-2", "F", "data.0.temp", "ts", "ms"),
    TopicMap("shop/t1", "cooler-1", "C", "air"),
    TopicMap("shop/plain", "core-3", "C"),
]
SITE = Payloads("ferncliff", MAPS)


@pytest.mark.parametrize(
    ("payload", "item"),
    [
        ("71.1", Reading("core-1", NOW, 71.1)),
        ('"71.1"', Reading("core-1", NOW, 71.1)),
        ("+071.1", Reading("core-1", NOW, 71.1)),
        ('{"value":71.1}', Reading("core-1", NOW, 71.1)),
        ('{"value":160,"unit":"F","time":1772456399}', Reading("core-1", NOW - SECOND, fahrenheit(160.0))),
        ('{"value":85,"quality":"suspect","reason":"power-on value"}', Reading("core-1", NOW, 85.0, 0.0, "power-on value")),
        ('{"probe":"core-1","value":71.1}', Reading("core-1", NOW, 71.1)),
        ('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]', Reading("core-1", NOW, 23.1)),
        ("null", Fault("core-1", NOW, "no value", "null")),
        ('"NaN"', Fault("core-1", NOW, "not a number", '"NaN"')),
        ("NaN", Fault("core-1", NOW, "not a number", "NaN")),
        ("unavailable", Fault("core-1", NOW, "unavailable", "unavailable")),
        ("", Fault("core-1", NOW, "no value", "")),
        ("true", Fault("core-1", NOW, "not a number", "true")),
        ("71.1 F", Fault("core-1", NOW, "unit F where C is configured", "71.1 F")),
    ],
)
def test_our_topic_takes_number_object_or_senml(payload, item):
    """Each form gives the same reading, and a fault never a number."""
    assert SITE.decode(OURS, payload.encode(), NOW) == [item]


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        ('{"probe":"core-2","value":71.1}', "'core-1' is expected"),
        ('{"temp":71.1}', "'temp' is not known"),
        ('[{"n":"a","u":"Cel","v":1},{"n":"b","u":"Cel","v":2}]', "more than one name"),
        ('[{"n":"a","v_":1}]', "ends in _"),
        ("[[1]]", "write an object"),
        ("7" * (MOST_BYTES + 1), "longer than 65536 bytes"),
    ],
)
def test_message_that_cannot_be_read_is_a_fault_of_its_probe(payload, says):
    """The topic names the probe, so the fault is recorded there with the raw text."""
    (item,) = SITE.decode(OURS, payload.encode(), NOW)
    assert isinstance(item, Fault)
    assert says in item.reason
    assert len(item.raw) <= 200


def test_mapped_topic_reads_value_and_time_where_the_paths_say():
    """One topic can feed several probes, each in its own unit."""
    payload = json.dumps({"data": [{"temp": 160.0}], "ts": 1772456399000, "air": "4.5"}).encode()
    assert SITE.decode("shop/t1", payload, NOW) == [Reading("core-2", NOW - SECOND, fahrenheit(160.0)), Reading("cooler-1", NOW, 4.5)]
    assert SITE.decode("shop/plain", b"71.1 C", NOW) == [Reading("core-3", NOW, 71.1)]


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        ("71.1", "no time at ts"),
        ("{", "no JSON"),
        ('{"ts":1772456399000}', "no value at data.0.temp"),
        ('{"ts":"soon","data":[{"temp":1}]}', "'soon'"),
        ('{"ts":1772456399000,"data":[{"temp":1,"temp":2}]}', "no value at"),
        ('{"ts":1772456399000,"data":[{"temp":null}]}', "no value"),
        ('{"ts":1772456399000,"data":[{"temp":{}}]}', "not a number"),
    ],
)
def test_mapped_message_without_its_value_or_time_is_a_fault(payload, says):
    """What is configured and not there is not guessed."""
    item = SITE.decode("shop/t1", payload.encode(), NOW)[0]
    assert isinstance(item, Fault)
    assert says in item.reason


@pytest.mark.parametrize("age", ["retained", "queued"])
def test_message_of_unknown_age_counts_only_with_its_own_time(age):
    """A retained 71.1 may be from yesterday; one that says when it was measured may not."""
    assert SITE.decode(OURS, b"71.1", NOW, age) == [Fault("core-1", NOW, f"{age} message of unknown age", "71.1")]
    (relative,) = SITE.decode(OURS, b'[{"n":"a","u":"Cel","v":1,"t":-5}]', NOW, age)
    assert isinstance(relative, Fault)
    timed = b'{"value":71.1,"time":"2026-03-02T12:00:00Z"}'
    assert SITE.decode(OURS, timed, NOW, age) == [Reading("core-1", NOW - 3600 * SECOND, 71.1)]


@given(
    st.one_of(st.binary(max_size=40), st.text(max_size=40).map(str.encode)),
    st.sampled_from([OURS, "shop/t1", "shop/plain"]),
    st.sampled_from(["", "retained"]),
)
def test_any_payload_gives_items_of_its_probe_and_no_number_out_of_nothing(payload, topic, age):
    """No payload makes it fall over, and a payload without a digit gives no reading."""
    for item in SITE.decode(topic, payload, NOW, age):
        assert item.probe in ("core-1", "core-2", "core-3", "cooler-1")
        if isinstance(item, Reading):
            assert any(chr(b).isdigit() for b in payload)


BAD_SETTINGS = {
    "no site": ({}, "site is missing"),
    "site with a wildcard": ({"site": "a/+"}, "without"),
    "password without username": ({"site": "s", "password": "x"}, "no username"),
    "password file not there": ({"site": "s", "username": "u", "password_file": "none"}, "password_file is 'none'"),
    "authority not there": ({"site": "s", "tls_ca": "none"}, "tls_ca is 'none'"),
    "port in words": ({"site": "s", "port": "1883"}, "port is '1883'"),
    "topic with a wildcard": ({"site": "s", "topic": [{"topic": "a/+", "probe": "p", "unit": "C"}]}, "topic 1: topic is 'a/\\+'"),
    "topic without unit": ({"site": "s", "topic": [{"topic": "a", "probe": "p"}]}, "unit is missing"),
    "topic with a misspelt key": ({"site": "s", "topic": [{"topic": "a", "probe": "p", "unit": "C", "path": "x"}]}, "'path' is not known"),
}


@pytest.mark.parametrize("mistake", BAD_SETTINGS)
def test_bad_setting_is_one_sentence(mistake):
    """What, which value, where, what to write; the password is never shown."""
    config, says = BAD_SETTINGS[mistake]
    with pytest.raises(SettingError, match=says):
        load({"driver": "mqtt", **config})


def test_password_is_not_in_the_sources_text(tmp_path):
    """What is printed of a source holds no secret."""
    file = tmp_path / "password"
    file.write_text("sesame\n")
    source = load({"site": "s", "username": "u", "password_file": str(file)})
    assert source.password == "sesame"
    assert "sesame" not in repr(source)
