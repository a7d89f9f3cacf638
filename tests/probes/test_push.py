"""Pushed bodies: one outcome per item, no invented number, limits."""

import csv
import json
import random
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes import senml
from probes.errors import PushError, SenmlError, TooLarge
from probes.push import MOST_BYTES, MOST_ITEMS, Doubled, Refused, decode_item, decode_push, parse_json, usual_readings
from rules.quantity import fahrenheit, parse_instant
from rules.reading import SECOND, Fault, Reading

NOW = parse_instant("2026-03-02T13:00:00Z")
PACK = "application/senml+json"

#: Rows of the reference's table of device frames for NMEA XDR, SCPI and SenML; each names its own source.
FRAMES = list(csv.DictReader((Path(__file__).parent / "check_device_frames.csv").read_text(encoding="utf-8").splitlines()))


def push(body, kind="application/json"):
    return decode_push(json.dumps(body).encode(), kind, NOW)


def test_one_object_is_one_reading():
    """Unit defaults to °C and time to the arrival."""
    assert push({"probe": "core-1", "value": 71.1}) == [Reading("core-1", NOW, 71.1)]


def test_list_gives_one_outcome_per_item_in_its_order():
    """A bad item takes nothing from the good ones."""
    body = [
        {"probe": "core-1", "value": "160.0", "unit": "°F", "time": "2026-03-02T06:59:00-06:00"},
        {"probe": "core-2", "value": None},
        {"probe": "core-3"},
        {"probe": "core-4", "value": 85, "quality": "suspect", "reason": "power-on value", "time": 1772456399.5},
    ]
    first, second, third, fourth = push(body)
    assert first == Reading("core-1", NOW - 60 * SECOND, fahrenheit(160.0))
    assert second == Fault("core-2", NOW, "no value")
    assert isinstance(third, Refused)
    assert third.item == 2
    assert fourth == Reading("core-4", NOW - SECOND // 2, 85.0, 0.0, "power-on value")


@pytest.mark.parametrize("word", ["ERR", "NaN", "---", "OL", "unavailable", "", "9999", 9999, "9.91E37", 9.91e37, "-9999.0", 5000])
def test_fault_words_and_codes_are_faults_with_their_raw_text(word):
    """A fault is never turned into a number."""
    (item,) = push({"probe": "core-1", "value": word})
    assert isinstance(item, Fault)
    assert item.raw == str(word)


def test_bare_nan_and_infinity_are_faults():
    """JSON has no NaN, but devices write it."""
    items = decode_push(b'[{"probe":"a","value":NaN},{"probe":"a","value":-Infinity}]', "application/json", NOW)
    assert items == [Fault("a", NOW, "not a number", "NaN"), Fault("a", NOW, "overload", "-Infinity")]


BAD_ITEMS = {
    "not an object": (71.1, "write an object"),
    "probe missing": ({"value": 71.1}, "probe is None"),
    "probe blank": ({"probe": " ", "value": 71.1}, "probe is ' '"),
    "probe a number": ({"probe": 7, "value": 71.1}, "probe is 7"),
    "value missing": ({"probe": "a"}, "value is missing"),
    "value in words": ({"probe": "a", "value": "warm"}, "'warm'"),
    "value cut short": ({"probe": "a", "value": "71."}, "'71.'"),
    "value true": ({"probe": "a", "value": True}, "value is True"),
    "value a list": ({"probe": "a", "value": [71.1]}, "[71.1]"),
    "misspelt unit key": ({"probe": "a", "value": 71.1, "units": "F"}, "'units'"),
    "unknown unit": ({"probe": "a", "value": 71.1, "unit": "R"}, "unit is 'R'"),
    "time without offset": ({"probe": "a", "value": 71.1, "time": "2026-03-02T13:00:00"}, "offset"),
    "time in milliseconds": ({"probe": "a", "value": 71.1, "time": 1772456400000}, "milliseconds"),
    "time true": ({"probe": "a", "value": 71.1, "time": True}, "Unix seconds"),
    "unknown quality": ({"probe": "a", "value": 71.1, "quality": "good"}, "'good'"),
    "reason a number": ({"probe": "a", "value": 71.1, "reason": 3}, "reason is 3"),
}


@pytest.mark.parametrize("mistake", BAD_ITEMS)
def test_bad_item_is_refused_in_one_sentence(mistake):
    """Each mistake of an item says what, which value and what to write."""
    body, says = BAD_ITEMS[mistake]
    (item,) = push([body])
    assert isinstance(item, Refused)
    assert says in item.text
    assert item.text.startswith("item 0: ")
    assert "\n" not in item.text


def test_key_given_twice_is_refused():
    """Nobody can say which of two values was meant."""
    (item,) = decode_push(b'{"probe":"a","value":71.1,"value":20}', "application/json", NOW)
    assert isinstance(item, Refused)
    assert "'value' is there twice" in item.text


@pytest.mark.parametrize(
    ("body", "kind", "says"),
    [
        (b"", "application/json", "no JSON"),
        (b"{", "application/json", "no JSON"),
        (b"\xff{}", "application/json", "not UTF-8"),
        (b"[" * 100_000, "application/json", "nested"),
        (b"9" * 5000, "application/json", "nested too deeply or with a number too long"),
        (b"probe=a&value=7", "application/x-www-form-urlencoded", "content type"),
        (b'{"n":"a","u":"Cel","v":1}', PACK, "no list"),
        (b'[{"n":"x","n":"y","u":"Cel","v":1}]', PACK, "twice"),
    ],
)
def test_unreadable_body_is_refused_whole(body, kind, says):
    """Nothing is taken from a body that cannot be read."""
    with pytest.raises(PushError, match=says):
        decode_push(body, kind, NOW)


def test_body_and_list_have_a_size_limit():
    """One over is refused, the limit itself is taken."""
    item = {"probe": "a", "value": 1}
    assert len(push([item] * MOST_ITEMS)) == MOST_ITEMS
    with pytest.raises(TooLarge, match="5001 items"):
        push([item] * (MOST_ITEMS + 1))
    with pytest.raises(TooLarge, match="bytes"):
        decode_push(b" " * (MOST_BYTES + 1), "application/json", NOW)


def rows(protocol):
    return [pytest.param(row, id=row["input"][:40]) for row in FRAMES if row["protocol"] == protocol]


@pytest.mark.parametrize("row", rows("senml"))
def test_senml_row_of_the_device_frame_table(row):
    """Every SenML row of the reference, against the numbers in its `expected` column."""
    pack, expected = parse_json(row["input"].encode()), row["expected"]
    if "error" in expected:
        with pytest.raises(SenmlError, match="ends in _"):
            senml.resolve(pack, NOW)
        return
    numbers = [float(n) for n in re.findall(r"(?<=[ ])\d+\.?\d*(?= (?:V|A|degC|@|ratio))|^\d+\.?\d*(?= degC| ratio)", expected)]
    times = [round(float(n) * 1e6) for n in re.findall(r"@(\d+(?:\.\d+)?)", expected)] or [NOW]
    records = senml.resolve(pack, NOW)
    assert [record.value for record in records] == numbers
    assert [record.at for record in records] == times
    assert all(not record.why for record in records)
    outcomes = decode_push(row["input"].encode(), PACK, NOW)
    taken = [o for o in outcomes if isinstance(o, Reading)]
    assert len(taken) == (len(numbers) if "degC" in expected or "probe1" in expected else 0)


def test_senml_names_times_and_values_add_to_their_bases():
    """Base fields apply to the record and all after it until redefined (RFC 8428 section 4.1)."""
    pack = [
        {"bn": "house-1/", "bt": 1772456000, "bu": "Cel", "bv": 70},
        {"n": "core-1", "v": 1.5},
        {"n": "core-2", "t": 400, "v": -1.5},
        {"bn": "cooler-1", "bv": 0, "v": 277.15, "u": "K"},
    ]
    at = parse_instant("1772456000")
    assert push(pack, PACK + "; charset=utf-8") == [
        Reading("house-1/core-1", at, 71.5),
        Reading("house-1/core-2", NOW, 68.5),
        Reading("cooler-1", at, 277.15 - 273.15),
    ]


def test_senml_small_times_are_relative_to_arrival():
    """Below 2^28 s a time counts from now, negative into the past (RFC 8428 section 4.5.3)."""
    assert push([{"n": "a", "u": "Cel", "v": 4, "t": -90}], PACK) == [Reading("a", NOW - 90 * SECOND, 4.0)]


@pytest.mark.parametrize(
    ("record", "says"),
    [
        ({"n": "a", "v": 4}, "unit is ''"),
        ({"n": "a", "u": "Far", "v": 4}, "Cel or K"),
        ({"n": "a", "u": "cel", "v": 4}, "Cel or K"),
        ({"n": "a", "u": "%RH", "v": 4}, "Cel or K"),
        ({"n": "a", "u": "Cel"}, "no value"),
        ({"n": "a", "u": "Cel", "vb": True}, "vb"),
        ({"n": "a", "u": "Cel", "v": 4, "vs": "4"}, "one value"),
        ({"n": "a", "u": "Cel", "v": "4"}, "v is '4'"),
        ({"n": "a", "u": "Cel", "v": True}, "v is True"),
        ({"n": "-a", "u": "Cel", "v": 4}, "letter or digit first"),
        ({"u": "Cel", "v": 4}, "the name is ''"),
        ({"n": "a", "u": "Cel", "v": 4, "t": 1e12}, "Unix seconds"),
        ({"n": "a", "u": "Cel", "s": 4}, "no value"),
    ],
)
def test_senml_record_that_is_no_temperature_is_refused(record, says):
    """Units are never guessed, and SenML has no Fahrenheit."""
    (item,) = push([record], PACK)
    assert isinstance(item, Refused)
    assert says in item.text


@pytest.mark.parametrize("pack", [[{"bver": 11, "n": "a", "u": "Cel", "v": 1}], [{"bt": "now"}], [7], [{"bver": True}]])
def test_senml_pack_that_must_not_be_used_gives_nothing(pack):
    """A newer version or a broken base field spoils every record after it."""
    with pytest.raises(SenmlError):
        push(pack, PACK)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["probe", "value", "unit", "time", "n", "u", "v", "t", "bt"]), inner)
    ),
    max_leaves=8,
)


@given(json_values, st.sampled_from(["application/json", PACK]))
def test_any_json_is_answered_item_by_item_or_refused_whole(value, kind):
    """No JSON makes the decoder fall over, and a reading's number stands in the body."""
    body = json.dumps(value)
    try:
        items = decode_push(body.encode(), kind, NOW)
    except PushError as error:
        assert "\n" not in str(error)  # noqa: PT017 - both ways out are right, and each is checked
        return
    for item in items:
        assert isinstance(item, Reading | Fault | Refused)
        if isinstance(item, Reading):
            assert -273.15 <= item.celsius <= 1400


@given(st.binary(max_size=60), st.sampled_from(["application/json", PACK, "", "text/plain"]))
def test_any_bytes_are_answered_or_refused(body, kind):
    """No bytes make the decoder fall over."""
    try:
        decode_push(body, kind, NOW)
    except PushError as error:
        assert "\n" not in str(error)  # noqa: PT017 - both ways out are right, and each is checked


_TIMES = st.one_of(
    st.none(), st.integers(-10, 2 * 10**10), st.floats(0, 5e9), st.floats(1.7e9, 1.9e9),
    st.floats(2.0**31 - 100, 2.0**31 + 100), st.integers(0, 4 * 10**15).map(lambda n: n / 1e6),
    st.just("2026-03-02T13:00:00Z"),
    st.floats(), st.just("yesterday"), st.booleans(),
)  # fmt: skip
_VALUES = st.one_of(
    st.floats(-300, 1500), st.floats(), st.integers(-300, 10_000), st.sampled_from(["4.0", "ERR", None, True, 9999.0, -0.0])
)
_ITEMS = st.one_of(
    st.fixed_dictionaries(
        {"value": _VALUES},
        optional={
            "probe": st.one_of(st.sampled_from(["core-1", " core-1", "", "a\x00b", "x" * 300]), st.text(max_size=3), st.none()),
            "time": _TIMES,
            "unit": st.sampled_from(["C", "F", "K", "Cel", None, "x"]),
            "quality": st.sampled_from(["ok", "suspect", "fault", "?"]),
            "reason": st.just("why"),
            "more": st.just(1),
        },
    ),
    st.none(),
    st.just([]),
)


@given(st.lists(_ITEMS, max_size=3))
def test_what_is_decoded_the_short_way_is_what_the_long_one_gives(items):
    """A plain item is not asked each question; the answer is the same to the microsecond and the last bit."""
    body = json.dumps(items)
    long = [decode_item(item, NOW, index) for index, item in enumerate(json.loads(body, parse_constant=str))]
    assert repr(decode_push(body.encode(), "application/json", NOW)) == repr(long)


def long_way(body, probe=None):
    """What the decoder that asks each question of each item says; None where nothing can be read."""
    try:
        data = parse_json(body)
    except PushError:
        return None
    return [decode_item(item, NOW, index, probe) for index, item in enumerate(data if isinstance(data, list) else [data])]


_PAIRS = st.tuples(
    st.sampled_from(["probe", "value", "time", "unit"]),
    st.sampled_from(["", " ", "\t", "\n"]),
    st.sampled_from(
        ['"core-1"', '"a:b"', '"C"', '""', "71.5", "-4", "1772478250.25", "1772478250", '"2026-03-02T13:00:00Z"', "null", '"\\u0043"']
    ),
)
_TEXTS = st.lists(_PAIRS, max_size=5).map(lambda pairs: "{" + ",".join(f'"{k}"{blank}:{blank}{v}' for k, blank, v in pairs) + "}")


@given(st.lists(_TEXTS, max_size=3), st.sampled_from([None, "core-1"]))
def test_the_short_way_takes_no_text_that_the_long_way_reads_otherwise(texts, probe):
    """A key that is there twice, wherever and however it is written, is never read as if it were there once."""
    body = f"[{','.join(texts)}]".encode()
    short = usual_readings(body, NOW, probe or "")
    assert short is None or repr(short) == repr(long_way(body, probe))


_BODY = b'[{"probe":"core-1","value":71.5,"time":1772478250.25},{"probe":"core-2","unit":"C","time":"2026-03-02T13:00:00Z","value":4}]'


@given(st.integers(0, len(_BODY) - 1), st.integers(0, 255), st.booleans())
def test_a_byte_that_was_changed_or_put_in_is_read_alike_both_ways(place, byte, put_in):
    """Broken UTF-8, a control character, a quote lost: the short way reads what the long way reads, or leaves it to that."""
    body = _BODY[:place] + bytes([byte]) + _BODY[place + (0 if put_in else 1) :]
    short = usual_readings(body, NOW)
    assert short is None or repr(short) == repr(long_way(body))


@given(st.from_regex(r"-?(0|[1-9][0-9]{0,3})(\.[0-9]{1,25})?([eE][+-]?[0-9]{1,2})?", fullmatch=True))
def test_a_number_of_any_length_is_the_double_that_its_digits_write(digits):
    """The two readers of JSON round alike."""
    (short,) = usual_readings(f'{{"probe":"core-1","value":{digits}}}'.encode(), NOW) or [None]
    assert short is None or repr(short.celsius) == repr(float(json.loads(digits)))


def test_time_with_more_digits_than_microseconds_is_rounded_as_its_digits_say():
    """As Python's own clock writes it; the short way takes nearly all of them."""
    some, taken = random.Random(7), 0
    for _ in range(20_000):
        time = some.choice((some.uniform(1e8, 2**31), some.uniform(1.7e9, 1.9e9), some.uniform(2**31, 4e9)))
        body = f'{{"probe":"core-1","value":4.0,"time":{time!r}}}'.encode()
        short = usual_readings(body, NOW)
        assert short is None or short == long_way(body)
        taken += short is not None
    assert taken > 9_000


def test_usual_items_are_read_the_short_way():
    """Else nothing was gained: times as numbers, as texts and none, with and without the unit."""
    assert usual_readings(_BODY, NOW) == long_way(_BODY) != []
    assert usual_readings(b'{"value": 71.5, "time": 1772478250.25}', NOW, "core-1") == [Reading("core-1", 1772478250250000, 71.5)]
    assert usual_readings(b'[{"value": 4, "probe": "core-1"}]', NOW) == [Reading("core-1", NOW, 4.0)]


@pytest.mark.parametrize(
    "text",
    [
        '{"value":1.0,"value":2.0}',
        '{"value" :1.0,"value":2.0}',
        '[{"a":1,"a":2},{"b\\":":1}]',
        '{"v\\u0061lue":1,"value":2}',
        '[{"probe":"a\\":","value":1,"value" : 2}]',
        '[{"a":{"b":1,"b":2}}]',
        '{"a"\t:1,"a"\n:2,"\\":\\":":3}',
    ],
)
def test_a_key_that_is_there_twice_is_seen_however_it_is_written(text):
    """Blanks before the colon, escapes, quotes and colons inside texts hide no repeated key."""

    def doubled(value):
        if isinstance(value, list):
            return any(map(doubled, value))
        return isinstance(value, Doubled) or (isinstance(value, dict) and any(map(doubled, value.values())))

    assert doubled(parse_json(text.encode()))
