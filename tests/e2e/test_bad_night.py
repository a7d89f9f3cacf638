"""A bad night: a door left open, coils being defrosted, a probe that fails, nobody awake. Each cause is told once in each step."""

from __future__ import annotations

import pytest

from tests.bench.night import AWAKE_MIN, DOOR_MIN, Told, play, table, too_many


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> list[Told]:
    """From a while before the door is left open until Odile is up; `python -m tests.bench night` lives through all of it."""
    told = play(tmp_path_factory.mktemp("night"), DOOR_MIN - 20, AWAKE_MIN + 20)
    print(table(told))
    return told


def test_each_cause_is_told_to_each_person_at_most_once_in_each_step(night: list[Told]) -> None:
    """The rungs, then every quarter of an hour, until somebody answers."""
    assert [*too_many(night)] == []


def test_night_has_three_causes_and_defrosting_is_none(night: list[Told]) -> None:
    """The open door for its three air probes, the lot that warmed behind it for its four cores, the probe that failed."""
    causes = {one.key for one in night if one.kind == "alarm"}
    assert causes == {"verdict/room/cooler-2/air", "verdict/J-0412/cure hold/cold", "probe/core-7/fault"}


def test_both_are_told_of_each_cause_and_the_second_after_ten_minutes(night: list[Told]) -> None:
    """Also of the probe whose fault comes and goes every few minutes: coming and going does not keep the ladder down."""
    first: dict[tuple[str, str], float] = {}
    for one in night:
        if one.kind == "alarm":
            first.setdefault((one.key, one.person), one.minute)
    for key in {key for key, _ in first}:
        assert 10 <= first[key, "Tam Okafor"] - first[key, "Odile Marsh"] <= 15, key


def test_answer_ends_the_telling(night: list[Told]) -> None:
    """From half past four on nothing but what others did; every first line fits into one short message."""
    assert not [one for one in night if one.kind == "alarm" and one.minute > AWAKE_MIN]
    assert max(len(one.line) for one in night if one.kind == "alarm") <= 160


def test_telling_twice_in_one_step_would_be_found() -> None:
    """The check above has teeth: two within ten minutes, and more than there are steps."""
    one = Told("Odile Marsh", 0.0, 1, "k", "alarm", "MEDIUM A1: x")
    assert [*too_many([one, one._replace(minute=25.0)])] == []
    assert len([*too_many([one, one._replace(minute=3.0)])]) == 2
    assert len([*too_many([one._replace(minute=minute) for minute in (0.0, 10.0, 20.0, 30.0)])]) == 1
    assert [*too_many([one, one._replace(minute=3.0, line="MEDIUM WORSE A1: x")])] == []
