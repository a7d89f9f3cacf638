"""The plain judge against cases worked out by hand from the page: steps, probes, lots (`judging.md` sections 1 to 5)."""

from __future__ import annotations

from rules.limits.spec import Ceiling, ComeUp, Cooling, Dwell, Exposure, Floor, HoldLethality, Need, Row, Tier, Window
from rules.plan import Advance, Limit, Step
from rules.reading import LotEvent
from tests.plain.cases import acts, limit_of, m, plan_of, readings, verdict_of, watches
from tests.plain.judge import judge

CEILING = Ceiling(4.0)
COLD = Dwell(m(20), max_c=4.0)
TIER = Exposure((Tier(10.0, m(20)),))
HOLD = HoldLethality((Row(60.0, m(10)), Row(65.0, m(4)), Row(70.0, 0)))
COME_UP = ComeUp(10.0, 54.0, m(30))
FAST = Cooling(54.0, (Window(27.0, within=m(30)), Window(4.0, within=m(40))))
COOK = Step("cook", None, (Limit("lethality", HOLD, "core", m(2)),))
CHILL = Step("chill", None, (limit_of(FAST),))
HOT = "0 60, 2 70, 4 70, 6 56, 16 40, 26 27, 36 15, 46 4, 56 4, 66 4, 76 4"


def test_cooling_opens_when_lethality_is_met_and_starts_in_the_earlier_step() -> None:
    """Nobody entered the cooling's step in time; the clock started in the cook all the same."""
    events = [*acts("0 start p; 0 place core-1; 40 step chill; 80 end"), *readings("core-1", HOT)]
    assert watches(plan_of(COOK, CHILL), events) == ["core-1 met 46 min"]


def test_cooling_takes_the_start_of_another_core_probe() -> None:
    """A probe put in when it was cool already has the other's start, and a stretch longer than the gap before its first reading."""
    events = [*acts("0 start p; 0 place core-1; 20 step chill; 25 place core-2; 80 end"), *readings("core-1", HOT)]
    near = [*events, *readings("core-2", "25 30, 30 26, 40 12, 46 4, 56 4, 66 4, 76 4")]
    assert watches(plan_of(COOK, CHILL), near) == ["core-1 met 46 min", "core-2 unproven 25 min"]
    wide = plan_of(COOK, Step("chill", None, (limit_of(FAST, gap=20),)))
    assert watches(wide, near) == ["core-1 met 46 min", "core-2 met 46 min"]


def test_needs_not_entered_leave_cooling_unproven() -> None:
    """The measure must be entered before the cooling opens, and reach its least value."""
    rule = Cooling(54.0, FAST.windows, ((Need("nitrite_ppm", 100.0),),))
    plan = plan_of(COOK, Step("chill", None, (limit_of(rule),)))
    events = [*acts("0 start p; 0 place core-1; 40 step chill; 80 end"), *readings("core-1", HOT)]
    assert watches(plan, events) == ["core-1 unproven 4 min"]
    assert watches(plan, [*events, *acts("1 measure nitrite_ppm 120")]) == ["core-1 met 46 min"]
    assert watches(plan, [*events, *acts("1 measure nitrite_ppm 99")]) == ["core-1 unproven 4 min"]
    assert watches(plan, [*events, *acts("5 measure nitrite_ppm 120")]) == ["core-1 unproven 4 min"]


def test_lethality_travels_beyond_its_step_until_the_core_is_cold() -> None:
    """Short at the step's end it can still be met; 2 °C below the lowest row it is deviated at the step's end."""
    plan = plan_of(COOK, CHILL)
    start = acts("0 start p; 0 place core-1; 5 step chill; 30 end")
    assert watches(plan, [*start, *readings("core-1", "2 60, 4 60, 6 60, 8 60, 10 60, 12 60")], "lethality") == ["core-1 met 12 min"]
    assert watches(plan, [*start, *readings("core-1", "2 60, 4 60, 6 58.1, 8 58")], "lethality", m(8)) == ["core-1 deviated 5 min"]
    assert watches(plan, [*start, *readings("core-1", "2 60, 4 60, 6 58.1")], "lethality", m(8)) == ["core-1 open"]
    assert watches(plan, [*start, *readings("core-1", "2 60, 4 60, 6 58.1")], "lethality") == ["core-1 deviated 5 min"]
    out = [*acts("0 start p; 0 place core-1; 5 step chill; 7 remove core-1 done; 30 end"), *readings("core-1", "2 60, 4 60, 6 60")]
    assert watches(plan, out, "lethality") == ["core-1 deviated 5 min"]


def test_come_up_ends_when_the_probes_lethality_is_met() -> None:
    """After that the core may fall as it likes."""
    step = Step("cook", None, (Limit("lethality", HOLD, "core", m(2)), limit_of(COME_UP)))
    hot = "0 5, 10 30, 20 54, 22 70, 24 70, 30 40, 40 40, 50 40"
    assert watches(plan_of(step), [*acts("0 start p; 0 place core-1; 50 end"), *readings("core-1", hot)]) == ["core-1 met 20 min"]


def test_limit_is_as_bad_as_its_worst_watch_and_lot_as_its_worst_critical_limit() -> None:
    """An operating limit does not count for the lot; a lot is met only once it has ended."""
    plan = plan_of(Step("step", None, (limit_of(CEILING), Limit("air", Ceiling(1.0), "chamber", m(15), critical=False))))
    events = [
        *acts("0 start p; 0 place core-1; 0 place core-2; 20 end"),
        *readings("core-1", "0 3, 10 3, 20 3"),
        *readings("chamber-1", "0 9, 10 9, 20 9"),
    ]
    good = [*events, *readings("core-2", "0 3, 10 3, 20 3")]
    assert judge(plan, good)["lots"][0]["verdict"] == "met"
    assert judge(plan, good, m(19))["lots"][0]["verdict"] == "open"
    assert verdict_of(plan, good, "air") == "deviated"
    assert judge(plan, [*events, *readings("core-2", "0 3, 10 5, 20 3")])["lots"][0]["verdict"] == "deviated"


def test_uncovered_time_leaves_a_ceiling_unproven() -> None:
    """Longer than the gap; each watch keeps its own verdict."""
    plan = plan_of(Step("step", None, (limit_of(CEILING),)))
    cover = readings("core-1", "0 3, 10 3, 20 3") + readings("core-2", "36 3, 40 3")
    events = [*acts("0 start p; 0 place core-1; 20 remove core-1 done; 36 place core-2; 40 end"), *cover]
    assert (watches(plan, events), verdict_of(plan, events)) == (["core-1 met 20 min", "core-2 met 40 min"], "unproven")
    sooner = [*acts("0 start p; 0 place core-1; 20 remove core-1 done; 35 place core-2; 40 end"), *cover]
    assert verdict_of(plan, sooner) == "met"


def test_uncovered_time_is_possible_for_a_sum_and_later_watches_go_on_from_it() -> None:
    """The second probe starts from the first one's sums, and the time between counts as possible."""
    plan = plan_of(Step("step", None, (limit_of(TIER),)))
    probes = acts("0 start p; 0 place core-1; 10 remove core-1 done; 12 place core-2; 30 end")
    certain = [*probes, *readings("core-1", "0 11, 10 11"), *readings("core-2", "12 11, 21 11, 23 9, 30 9")]
    assert watches(plan, certain) == ["core-1 met 10 min", "core-2 deviated 22 min"]
    apart = acts("0 start p; 0 place core-1; 10 remove core-1 done; 26 place core-2; 40 end")
    possible = [*apart, *readings("core-1", "0 11, 5 9, 10 9"), *readings("core-2", "26 9, 40 9")]
    assert watches(plan, possible) == ["core-1 met 10 min", "core-2 unproven 40 min"]
    after = [*acts("0 start p; 0 place core-1; 10 remove core-1 done; 40 end"), *readings("core-1", "0 9, 10 9")]
    assert (watches(plan, after), verdict_of(plan, after)) == (["core-1 met 10 min"], "unproven")


def test_limit_that_no_watch_served_is_unproven() -> None:
    """Also that of a step never entered, unless the step is optional."""
    ceiling = limit_of(CEILING)
    events = acts("0 start p; 20 end")
    assert verdict_of(plan_of(Step("step", None, (ceiling,))), events) == "unproven"
    first = Step("first", None, (Limit("other", CEILING, "core", m(15)),))
    assert verdict_of(plan_of(first, Step("second", None, (ceiling,))), events) == "unproven"
    assert verdict_of(plan_of(first, Step("second", None, (ceiling,), optional=True)), events) == "met"


def test_enough_other_probes_leave_a_withdrawn_one_out() -> None:
    """`probes = 1`: the withdrawn watch is shown, but not counted."""
    readings_ = [*readings("core-1", "0 4, 10 4, 20 4"), *readings("core-2", "0 4, 5 4")]
    events = [*acts("0 start p; 0 place core-1; 0 place core-2; 6 remove core-2 failed; 20 end"), *readings_]
    wanted = plan_of(Step("step", None, (limit_of(COLD, probes=1),)))
    assert (watches(wanted, events), verdict_of(wanted, events)) == (["core-1 met 20 min", "core-2 unproven 6 min"], "met")
    assert verdict_of(plan_of(Step("step", None, (limit_of(COLD),))), events) == "unproven"


def test_sampled_limit_is_judged_on_hand_checks_alone() -> None:
    """Streams do not count; the gap is 1.2 times the sampling."""
    plan = plan_of(Step("step", None, (limit_of(CEILING, sampled=m(10)),)))
    stream = readings("core-1", "0 9, 10 9, 20 9")
    kept = [*acts("0 start p; 0 place core-1; 0 check core 3 °C; 12 check core 3 °C; 24 end"), *stream]
    assert watches(plan, kept) == ["check met 24 min"]
    missed = [*acts("0 start p; 0 check core 3 °C; 12:01 check core 3 °C; 24 end"), *stream]
    assert watches(plan, missed) == ["check unproven 12 min 1 s"]


def test_repeated_step_opens_new_watches() -> None:
    """One of them may deviate and the other be met; without `repeats` the old watch goes on."""
    other = Step("rest", None, (Limit("other", CEILING, "core", m(15)),))
    script = acts("0 start p; 0 place core-1; 10 step rest; 20 step step; 30 end")
    events = [*script, *readings("core-1", "0 5, 10 3, 20 3, 30 3")]
    assert watches(plan_of(Step("step", None, (limit_of(CEILING),), repeats=True), other), events) == [
        "core-1 deviated 0 s",
        "core-1 met 30 min",
    ]
    assert watches(plan_of(Step("step", None, (limit_of(CEILING),)), other), events) == ["core-1 deviated 0 s"]


def test_limit_over_steps_goes_on_through_them() -> None:
    """One watch, not one for each step."""
    first = Step("step", None, (limit_of(TIER, over=("step", "rest")),))
    other = Step("rest", None, (Limit("other", CEILING, "core", m(15)),))
    events = [*acts("0 start p; 0 place core-1; 10 step rest; 30 end"), *readings("core-1", "0 11, 10 11, 20 11, 30 11")]
    assert watches(plan_of(first, other), events) == ["core-1 deviated 20 min"]


def test_automatic_advance_within_a_room_enters_the_next_step() -> None:
    """At the reading that met the lethality, which belongs to both steps."""
    cook = Step("cook", None, COOK.limits, Advance("lethality met", "auto"))
    after = Step("rest", None, (limit_of(CEILING),))
    events = [*acts("0 start p; 0 place core-1; 10 end"), *readings("core-1", "0 60, 2 70, 4 70, 6 3, 10 3")]
    assert watches(plan_of(cook, after), events) == ["core-1 deviated 4 min"]


def test_automatic_advance_into_another_room_straddles_until_a_person_confirms() -> None:
    """Limits of both steps are judged meanwhile."""
    air = Limit("air", Floor(50.0), "chamber", m(15), critical=False)
    cook = Step("cook", "house", (*COOK.limits, air), Advance("lethality met", "auto"))
    chill = Step("chill", "cooler", (Limit("limit", Ceiling(80.0), "core", m(15)),))
    script = [*readings("core-1", "0 60, 2 70, 4 70, 6 69, 10 69, 20 50"), *readings("chamber-1", "0 60, 4 60, 10 40, 20 30")]
    confirmed = [*acts("0 start p; 0 place core-1; 8 step chill; 20 end"), *script]
    plan = plan_of(cook, chill, rooms=True)
    assert watches(plan, confirmed, "air") == ["chamber-1 met 8 min"]
    assert watches(plan, confirmed) == ["core-1 met 20 min"]
    nobody = [*acts("0 start p; 0 place core-1; 20 end"), *script]
    assert watches(plan, nobody, "air") == ["chamber-1 deviated 10 min"]
    assert watches(plan, nobody) == ["core-1 met 20 min"]


def test_after_alone_does_not_leave_an_open_critical_limit_or_a_room() -> None:
    """It asks, so the lot stays in its step."""
    timer = Advance("after", "auto", m(10))
    next_step = Step("rest", None, (Limit("limit", CEILING, "core", m(15)),))
    events = [*acts("0 start p; 0 place core-1; 20 end"), *readings("core-1", "0 3, 10 3, 20 3")]
    operating = Step("step", None, (Limit("other", CEILING, "core", m(15), critical=False),), timer)
    assert watches(plan_of(operating, next_step), events) == ["core-1 met 20 min"]
    critical = Step("step", None, (Limit("other", CEILING, "core", m(15)),), timer)
    assert watches(plan_of(critical, next_step), events) == []
    away = Step("step", "house", operating.limits, timer)
    assert watches(plan_of(away, Step("rest", "cooler", next_step.limits), rooms=True), events) == []


def test_undone_event_never_happened_and_back_dated_one_did_at_its_time() -> None:
    """The order in which they were written down does not matter."""
    plan = plan_of(Step("step", None, (limit_of(CEILING),)), Step("rest", None, (Limit("other", Ceiling(9.0), "core", m(15)),)))
    script = readings("core-1", "0 3, 10 3, 20 5, 25 5, 30 5")
    back = [*script, *acts("30 end; 15 step rest; 0 place core-1; 0 start p")]
    assert watches(plan, back) == ["core-1 met 15 min"]
    undone = [*back, LotEvent(m(29), "undo", "J-1", "", "900")]
    assert watches(plan, undone) == ["core-1 deviated 20 min"]
    assert watches(plan, undone, at=m(28)) == ["core-1 met 15 min"]


def test_two_lots_share_a_fixed_probe_and_not_their_core_probes() -> None:
    """Each lot has its own watch of the chamber."""
    plan = plan_of(Step("step", None, (limit_of(CEILING, place="chamber"),)))
    events = [*acts("0 start p; 20 end"), *acts("10 start p; 30 end", "J-2"), *readings("chamber-1", "0 5, 10 3, 20 3, 30 3")]
    assert watches(plan, events) == ["chamber-1 deviated 0 s", "chamber-1 met 30 min"]
