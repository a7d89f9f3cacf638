"""Lots that come and go: steps entered again, probes placed again, limits that travel on, clocks taken over.

Each case is a transcript (`rules/transcript.py`); every figure is invented.
"""

from __future__ import annotations

import pytest

from rules.transcript import run

HOLD = 'kind = "lethality"\nrows = [{ at = "145 °F", for = "4 min" }]'
COOL = 'kind = "cooling"\nstart = "130 °F"\nwindows = [{ to = "80 °F", within = "90 min" }]'
COME_UP = 'kind = "come-up"\nlow = "50 °F"\nhigh = "130 °F"\nwithin = "60 min"'
COLD = 'kind = "ceiling"\nplace = "core"\nmax = "34 °F"\nallowed = "10 min"'


def _step(name: str, *limits: str, more: str = "") -> str:
    written = "".join(f'[[product.step.limit]]\nname = "{limit.split(chr(34))[1]}"\n{limit}\n' for limit in limits)
    return f'[[product.step]]\nname = "{name}"\n{more}\n{written}'


def _plan(*steps: str) -> str:
    probes = "".join(f'[[probe]]\nid = "core-{n}"\nplace = "core"\n' for n in (1, 2, 3))
    return f'[site]\nunit = "F"\n{probes}[[product]]\ncode = "links"\n' + "".join(steps)


def _holds(plan: str, *script: str) -> None:
    items = ['{ event = "0:00 start J-1 links" }', *(f"{{ {item} }}" for item in script)]
    assert run(f"plan = '''\n{plan}'''\nscript = [\n" + ",\n".join(items) + ",\n]", "case") == []


PLACE_1 = 'event = "0:00 place J-1 core-1"'


def test_excursion_and_its_sum_go_on_when_the_step_is_entered_again() -> None:
    """6 min over before leaving and 4 min after coming back make the 10 allowed, and a second more too many."""
    plan = _plan(_step("grind", COLD), _step("rest", COLD.replace("34", "90")))
    _holds(
        plan,
        PLACE_1,
        'read = "core-1 0:00 35, 0:05 35"',
        'event = "0:06 step J-1 rest"',
        'read = "core-1 0:07 33, 0:20 33"',
        'event = "0:30 step J-1 grind"',
        'expect = "J-1/grind/ceiling/core-1 met 0:06"',
        'expect = "J-1/rest/ceiling/core-1 met 0:30"',
        'read = "core-1 0:30:30 35, 0:34 35"',
        'stands = "J-1/grind/ceiling/core-1 open"',
        'read = "core-1 0:35 35"',
        'expect = "J-1/grind/ceiling/core-1 deviated 0:34"',
    )


def test_stay_without_a_reading_is_unproven_at_its_leaving() -> None:
    """A stay longer than `max_gap` in which the probe said nothing is a gap, whatever a later stay shows."""
    plan = _plan(_step("grind", COLD), _step("rest", COLD.replace("34", "90")))
    _holds(
        plan,
        PLACE_1,
        'event = "0:20 step J-1 rest"',
        'read = "core-1 0:21 33"',
        'expect = "J-1/grind/ceiling/core-1 unproven 0:20"',
        'event = "0:30 step J-1 grind"',
        'read = "core-1 0:31 33"',
        'expect = "J-1/rest/ceiling/core-1 met 0:30"',
        'stands = "J-1/grind/ceiling/core-1 unproven 0:20"',
    )


def test_come_up_that_its_lethality_has_ended_is_not_opened_by_a_new_placement() -> None:
    """Met for good when the hold was, it does not mind what the probe reads afterwards."""
    _holds(
        _plan(_step("cook", COME_UP, HOLD)),
        PLACE_1,
        'read = "core-1 0:00 40, 0:10 150, 0:12 150, 0:14 150"',
        'expect = "J-1/cook/come-up/core-1 met 0:10"',
        'expect = "J-1/cook/lethality/core-1 met 0:14"',
        'event = "0:15 remove J-1 core-1 slipped"',
        'event = "0:20 place J-1 core-1"',
        'read = "core-1 0:20 100, 0:35 100, 0:50 100, 1:05 100, 1:20 100, 1:35 100"',
        'stands = "J-1/cook/come-up/core-1 met 0:10"',
    )


def test_deviation_found_at_a_removal_stands_when_the_probe_is_placed_again() -> None:
    """The stretch to the removal passed the limit: measured, and final."""
    _holds(
        _plan(_step("grind", COLD)),
        PLACE_1,
        'read = "core-1 0:00 35"',
        'event = "0:12 remove J-1 core-1 moved"',
        'expect = "J-1/grind/ceiling/core-1 deviated 0:10"',
        'event = "0:13 place J-1 core-1"',
        'stands = "J-1/grind/ceiling/core-1 deviated 0:10"',
    )


def test_entry_of_a_repeating_step_that_nothing_served_stays_unproven() -> None:
    """Each entry is judged by itself; a later one with a probe does not make good the first."""
    plan = _plan(_step("grind", COLD, more="repeats = true"), _step("rest", COLD.replace("34", "90")))
    _holds(
        plan,
        'event = "0:20 step J-1 rest"',
        'read = "core-1 0:21 33"',
        'expect = "J-1/grind/ceiling unproven 0:20"',
        'event = "0:30 place J-1 core-1"',
        'event = "0:31 step J-1 grind"',
        'read = "core-1 0:31 33, 0:40 33"',
        'event = "0:41 end J-1"',
        'expect = "J-1/rest/ceiling/core-1 met 0:31"',
        'expect = "J-1/grind/ceiling/core-1 met 0:41"',
        'stands = "J-1/grind/ceiling unproven"',
    )


def test_time_without_a_watch_before_a_step_is_entered_again_counts() -> None:
    """65 min of a come-up that no probe saw are more than its 60, also where the cook is entered again with a probe."""
    plan = _plan(_step("cook", COME_UP), _step("chill", COLD))
    _holds(
        plan,
        'event = "1:05 step J-1 chill"',
        'event = "1:06 step J-1 cook"',
        'expect = "J-1/cook/come-up unproven 1:05"',
        'expect = "J-1/chill/ceiling unproven 1:06"',
        'event = "1:07 place J-1 core-1"',
        'read = "core-1 1:07 40, 1:10 140, 1:15 140"',
        'expect = "J-1/cook/come-up/core-1 met 1:10"',
        'event = "1:16 end J-1"',
        'expect = "J-1/cook/come-up/core-1 unproven 1:16"',
    )


def test_open_critical_limit_without_a_watch_travels_on_and_takes_a_probe() -> None:
    """No advance closes it; a probe placed later opens its watch; a person's word ends it."""
    auto = 'advance = { when = "core >= 100 °F for 1 min", how = "auto" }'
    chamber = COLD.replace('"core"', '"chamber"')
    plan = _plan(_step("warm", HOLD, COLD.replace("34 °F", "200 °F"), more=auto), _step("next", chamber))
    _holds(
        plan,
        PLACE_1,
        'read = "core-1 0:00 120, 0:01 120"',
        'finding = "J-1/next advanced 0:01"',
        'finding = "J-1/warm/lethality/core-1 left-short 0:01"',
        'event = "0:02 place J-1 core-2"',
        'read = "core-1 0:05 120, core-2 0:05 120"',
        'expect = "J-1/warm/lethality/core-1 deviated 0:01"',
        'stands = "J-1/warm/ceiling/core-2 open"',
        'event = "0:06 step J-1 next"',
        'read = "core-1 0:07 120"',
        'expect = "J-1/warm/ceiling/core-1 met 0:06"',
        'expect = "J-1/warm/ceiling/core-2 met 0:06"',
    )


def test_step_that_waits_for_its_hold_advances_when_a_removal_leaves_it_met() -> None:
    """With one probe to be shown, taking out the other leaves the limit met, at that instant."""
    plan = _plan(
        _step("cook", HOLD + "\nprobes = 1", more='advance = { when = "lethality met", how = "auto" }'),
        _step("chill", COLD.replace('"core"', '"chamber"')),
    )
    _holds(
        plan,
        PLACE_1,
        'event = "0:00 place J-1 core-2"',
        'read = "core-1 0:00 150, 0:02 150, 0:04 150, core-2 0:00 140, 0:02 140, 0:04 140"',
        'expect = "J-1/cook/lethality/core-1 met 0:04"',
        'event = "0:05 remove J-1 core-2 failed"',
        'expect = "J-1/cook/lethality/core-2 unproven 0:05"',
        'finding = "J-1/chill advanced 0:05"',
    )


def test_deviated_watch_of_a_removed_probe_is_never_left_out() -> None:
    """`probes = 1` leaves out what is withdrawn while short, not what was measured to be over."""
    _holds(
        _plan(_step("grind", COLD + "\nprobes = 1")),
        PLACE_1,
        'event = "0:00 place J-1 core-2"',
        'read = "core-1 0:00 33, 0:12 33, core-2 0:00 35, 0:11 35"',
        'expect = "J-1/grind/ceiling/core-2 deviated 0:10"',
        'event = "0:12:30 remove J-1 core-2 failed"',
        'event = "0:13 end J-1"',
        'expect = "J-1/grind/ceiling/core-1 met 0:13"',
        'stands = "J-1/grind/ceiling deviated"',
    )


def test_chill_entered_again_takes_the_probes_that_are_in() -> None:
    """A probe placed while the cooling did not run has a watch from the re-entry on; the earlier watch goes on."""
    plan = _plan(_step("chill", COOL), _step("cut", COLD.replace("34", "300")))
    _holds(
        plan,
        PLACE_1,
        'read = "core-1 0:00 131, 0:20 110"',
        'event = "0:30 step J-1 cut"',
        'event = "0:31 place J-1 core-2"',
        'expect = "J-1/chill/cooling/core-1 unproven 0:30"',
        'read = "core-1 0:40 100, core-2 0:32 105, 0:41 100"',
        'event = "0:45 step J-1 chill"',
        'expect = "J-1/cut/ceiling/core-1 met 0:45"',
        'expect = "J-1/cut/ceiling/core-2 met 0:45"',
        'expect = "J-1/chill/cooling/core-2 unproven 0:32"',
        'stands = "J-1/chill/cooling/core-1 open"',
        'read = "core-1 1:00 85, 1:10 80, core-2 1:00 86, 1:10 80"',
        'expect = "J-1/chill/cooling/core-1 met 1:10"',
    )


def test_chill_that_repeats_is_judged_again_after_a_recook() -> None:
    """Cooled in time, cooked again and cooled too slowly: the second watch deviates, the first stays met."""
    plan = _plan(_step("cook", HOLD), _step("chill", COOL, more="repeats = true"), _step("recook", HOLD, more="optional = true"))
    _holds(
        plan,
        PLACE_1,
        'read = "core-1 0:00 150, 0:02 150, 0:04 150"',
        'expect = "J-1/cook/lethality/core-1 met 0:04"',
        'event = "0:05 step J-1 chill"',
        'read = "core-1 0:06 131, 0:30 100, 1:00 79, 1:30 70"',
        'expect = "J-1/chill/cooling/core-1 met 1:00"',
        'event = "1:35 step J-1 recook"',
        'read = "core-1 1:40 150, 1:42 150, 1:44 150"',
        'expect = "J-1/recook/lethality/core-1 met 1:44"',
        'event = "1:45 step J-1 chill"',
        'read = "core-1 1:46 131, 2:10 110, 2:35 95, 3:00 85, 3:17 81"',
        'expect = "J-1/chill/cooling/core-1 deviated 3:16"',
        'stands = "J-1/chill/cooling/core-1 met 1:00"',
    )


def test_lot_cooked_again_after_its_cooling_is_to_be_cooled_again() -> None:
    """A further lethality step met after a final cooling opens it anew, also where the chill is never entered again."""
    plan = _plan(_step("cook", HOLD), _step("chill", COOL), _step("recook", HOLD, more="optional = true"))
    _holds(
        plan,
        PLACE_1,
        'read = "core-1 0:00 150, 0:02 150, 0:04 150"',
        'expect = "J-1/cook/lethality/core-1 met 0:04"',
        'event = "0:05 step J-1 chill"',
        'read = "core-1 0:06 131, 0:30 100, 1:00 79, 1:30 70"',
        'expect = "J-1/chill/cooling/core-1 met 1:00"',
        'event = "1:35 step J-1 recook"',
        'read = "core-1 1:40 150, 1:42 150, 1:44 150"',
        'expect = "J-1/recook/lethality/core-1 met 1:44"',
        'read = "core-1 1:46 131, 2:10 110, 2:35 95, 3:00 85, 3:17 81"',
        'expect = "J-1/chill/cooling/core-1 deviated 3:16"',
        'stands = "J-1/chill/cooling/core-1 met 1:00"',
        'event = "3:20 end J-1"',
        'stands = "J-1 deviated"',
    )


def test_further_lethality_restarts_the_clock_of_a_cooling_not_yet_decided() -> None:
    """Cooked again before it was cold, the lot is cooled from its last hot reading after that, be it the one that met the hold."""
    plan = _plan(_step("cook", HOLD), _step("chill", COOL), _step("recook", HOLD, more="optional = true"))
    _holds(
        plan,
        PLACE_1,
        'read = "core-1 0:00 150, 0:02 150, 0:04 150"',
        'expect = "J-1/cook/lethality/core-1 met 0:04"',
        'event = "0:05 step J-1 chill"',
        'read = "core-1 0:06 131, 0:20 110"',
        'event = "0:30 step J-1 recook"',
        'read = "core-1 0:35 150, 0:37 150, 0:39 150"',
        'expect = "J-1/chill/cooling/core-1 unproven 0:30"',
        'expect = "J-1/recook/lethality/core-1 met 0:39"',
        'event = "0:41 step J-1 chill"',
        'read = "core-1 0:42 120, 1:05 100, 1:35 90, 2:05 80"',
        'expect = "J-1/chill/cooling/core-1 met 2:05"',
        'read = "core-1 2:10 79"',
        'stands = "J-1/chill/cooling met"',
    )


def test_check_by_hand_counts_beyond_its_step() -> None:
    """A hold judged on checks stays open beyond its step, and hears the next check."""
    limit = 'kind = "lethality"\nsampled = "5 min"\nrows = [{ at = "145 °F", for = "10 min" }]'
    _holds(
        _plan(_step("cook", limit), _step("rest", COLD.replace("34", "300"))),
        PLACE_1,
        'event = "0:00 check J-1 core 145 °F"',
        'event = "0:05 check J-1 core 145 °F"',
        'event = "0:07 step J-1 rest"',
        'finding = "J-1/cook/lethality/check left-short 0:07"',
        'event = "0:10 check J-1 core 145 °F"',
        'expect = "J-1/cook/lethality/check met 0:10"',
    )


def test_clock_taken_over_late_judges_what_was_read_meanwhile() -> None:
    """A probe put in cold takes the start of one that was hot, known 2 h later: its own gap over the deadline is then unproven."""
    _holds(
        _plan(_step("chill", COOL)),
        PLACE_1,
        'event = "0:00 place J-1 core-2"',
        'read = "core-1 0:00 131, core-2 0:01 95, 0:20 90, 0:50 85, 1:40 79, 2:00 70"',
        'stands = "J-1/chill/cooling/core-2 open"',
        'read = "core-1 2:05 60"',
        'expect = "J-1/chill/cooling/core-1 unproven 1:30"',
        'expect = "J-1/chill/cooling/core-2 unproven 1:30"',
    )


def test_verdict_of_a_decided_probe_does_not_stop_its_clock_for_others() -> None:
    """A probe whose cooling has deviated is hot again: one that came cold still waits for it."""
    _holds(
        _plan(_step("chill", COOL)),
        PLACE_1,
        'read = "core-1 0:00 131, 0:10 129, 0:35 129, 1:00 129, 1:25 129, 1:40 131"',
        'expect = "J-1/chill/cooling/core-1 deviated 1:30"',
        'event = "1:41 place J-1 core-2"',
        'read = "core-2 1:42 90"',
        'stands = "J-1/chill/cooling/core-2 open"',
        'read = "core-1 1:50 110, core-2 2:00 79"',
        'expect = "J-1/chill/cooling/core-2 met 2:00"',
    )


def test_unmet_need_and_an_earlier_cause_are_dated_at_the_earlier() -> None:
    """What an option lacked is dated at its opening, unless a deadline in a gap before it was missed already."""
    plan = _plan(_step("rest", COLD.replace("34", "300")), _step("chill", COOL + "\nneeds = [{ nitrite_ppm = 100 }]"))
    _holds(
        plan,
        PLACE_1,
        'read = "core-1 0:00 131, 0:15 110, 1:40 79"',
        'event = "1:45 step J-1 chill"',
        'expect = "J-1/rest/ceiling/core-1 unproven 1:40"',
        'expect = "J-1/chill/cooling/core-1 unproven 1:30"',
    )


def test_measure_at_the_instant_of_the_opening_counts_in_either_order() -> None:
    """Entered with the step that opens the cooling, before it or after it in the list, the nitrite counts."""
    plan = _plan(_step("rest", COLD.replace("34", "300")), _step("chill", COOL + "\nneeds = [{ nitrite_ppm = 100 }]"))
    step, measure = 'event = "0:05 step J-1 chill"', 'event = "0:05 measure J-1 nitrite_ppm 120"'
    for pair in ((step, measure), (measure, step)):
        _holds(
            plan,
            PLACE_1,
            'read = "core-1 0:00 140"',
            *pair,
            'read = "core-1 0:06 131, 0:30 100, 1:00 79"',
            'expect = "J-1/rest/ceiling/core-1 met 0:05"',
            'expect = "J-1/chill/cooling/core-1 met 1:00"',
        )
    _holds(
        plan,
        PLACE_1,
        'read = "core-1 0:00 140"',
        step,
        'event = "0:06 measure J-1 nitrite_ppm 120"',
        'expect = "J-1/rest/ceiling/core-1 met 0:05"',
        'expect = "J-1/chill/cooling/core-1 unproven 0:05"',
    )


@pytest.mark.parametrize("kind", ["lethality", "cooling", "come-up"])
def test_hand_checks_alone_judge_a_sampled_limit(kind: str) -> None:
    """Every kind may be judged on checks; what the probes read does not count for it."""
    limit = {
        "lethality": 'kind = "lethality"\nsampled = "5 min"\nrows = [{ at = "145 °F", for = "10 min" }]',
        "cooling": COOL + '\nsampled = "40 min"',
        "come-up": COME_UP + '\nsampled = "15 min"',
    }[kind]
    checks = {
        "lethality": ("0:00 145, 0:05 145, 0:10 145", "met 0:10"),
        "cooling": ("0:00 131, 0:40 100, 1:20 79", "met 1:20"),
        "come-up": ("0:00 45, 0:15 90, 0:30 131, 0:45 131", "met 0:30"),
    }[kind]
    rows = [row.split() for row in checks[0].split(", ")]
    _holds(
        _plan(_step("cook", limit)),
        PLACE_1,
        *(f'event = "{at} check J-1 core {value} °F"' for at, value in rows),
        'read = "core-1 0:01 100"',
        f'expect = "J-1/cook/{kind}/check {checks[1]}"',
    )
