"""Causes about the probes as a whole and about the monitor itself: what would make silence look like good news.

One trouble of several probes is one cause: they share a key, and each is a member of it.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.alarms.causes import Cause, key_of
from rules.quantity import format_span
from rules.reading import MINUTE, Instant, Span

_UNPROVEN = "What is not measured cannot be shown to be controlled."


def probes_silent(probes: Sequence[str], since: Instant, where: str) -> Cause:
    """Probes that have sent nothing for longer than their `silent_after`, since about the same instant."""
    them = ", ".join(probes)
    return Cause(
        key_of("probe", probes[0], "silent"), _several(probes, "is silent", "are silent"), where, since,
        f"Nothing has been read from {them} since then. {_UNPROVEN}", "high", limit="a reading at every interval",
        do=(_what_to_do(probes),), member=probes[0],
    )  # fmt: skip


def probes_fault(probes: Sequence[str], since: Instant, reason: str, where: str) -> Cause:
    """Probes that answer, all in the same way, without a usable temperature."""
    them, verb = ", ".join(probes), "answers" if len(probes) == 1 else "answer"
    return Cause(
        key_of("probe", probes[0], "fault"), _several(probes, reason, reason, ": "), where, since,
        f"{them} {verb} {reason} in place of a temperature. {_UNPROVEN}", "high", limit="a reading at every interval",
        do=(_what_to_do(probes, " or place another probe"),), member=probes[0],
    )  # fmt: skip


def _several(probes: Sequence[str], one: str, more: str, joint: str = " ") -> str:
    if len(probes) == 1:
        return f"probe {probes[0]}{joint}{one}"
    return f"{len(probes)} probes{joint}{more} ({', '.join(probes[:4])}{' …' if len(probes) > 4 else ''})"


def _what_to_do(probes: Sequence[str], other: str = "") -> str:
    if len(probes) == 1:
        return f"Check its plug, cable and battery{',' if other else ''}{other}. Until it reads, measure by hand."
    return "Look at what they share: gateway, power, cable, network. Until they read, measure by hand."


def clock_untrusted(since: Instant) -> Cause:
    """The kernel says that nothing keeps the clock right."""
    return Cause(
        key_of("clock", "untrusted"), "clock is kept right by nothing", "the monitor", since,
        "The system says that its clock is not synchronized (adjtimex). Times in the records rest on the board's own quartz.",
        "medium", limit="a clock that is kept right", nags=False, on_delay=10 * MINUTE,
        do=("Compare the time with a watch now. See to the network or the time service (timedatectl).",),
    )  # fmt: skip


def clock_provisional(since: Instant, gap: Span) -> Cause:
    """The board started without the right time: what is read is kept and judged by a time that will be put right."""
    return Cause(
        key_of("clock", "provisional"), "time of day is not known", "the monitor", since,
        "The board started with a wrong clock. Readings are kept and judged by how much time passes between them, and limits ring as "
        f"ever. How long nobody watched before is not known: it is taken for {format_span(gap)} that nothing was measured. Every time "
        "shown is provisional, and so is every verdict: a limit told as met may turn out deviated or unproven. All is put right, and "
        "judged again, once the time is there.",
        "high", limit="a clock that is right", nags=False, settled=True,
        do=(
            "Write down how long the power was away. Measure open lots by hand, with the time by a watch, until this alarm ends.",
            "See to the network; or say what time it is, on the page under Time, or with larderer clock set.",
        ),
    )  # fmt: skip


def clock_undated(since: Instant, lot: str, text: str) -> Cause:
    """A lot began or left something while the board did not know the time, and when that was will never be known exactly."""
    return Cause(
        key_of("clock", "undated", lot), f"times of lot {lot} are not known", "the monitor", since, text,
        "high", limit="a time for every reading", nags=False, settled=True, lot=lot,
        do=("Judge the product by the longest time that may have passed, and answer the deviation record of the lot.",),
    )  # fmt: skip


def clock_undated_room(since: Instant, room: str, text: str) -> Cause:
    """What a room's standing limits are told to have met while the board did not know the time may not have been met."""
    return Cause(
        key_of("clock", "undated", "room", room), f"times of {room} are not known", "the monitor", since, text,
        "high", limit="a time for every reading", nags=False, settled=True,
        do=("Judge what was in the room by the longest time that may have passed, and write down what was found.",),
    )  # fmt: skip


def store_slow(since: Instant, took: Span, most: Span) -> Cause:
    """Commits take so long that a message would be late."""
    return Cause(
        key_of("store", "slow"), f"records take {format_span(took)} to be kept", "the monitor", since,
        "Every message waits for its record. A worn card or a disk that is shared with something heavy does that.",
        "medium", limit=f"at most {format_span(most)}", off_delay=10 * MINUTE, nags=False,
        do=("Find what keeps the disk busy; copy the data with larderer backup, and change the card.",),
    )  # fmt: skip


def certificate_due(name: str, since: Instant, text: str, *, over: bool) -> Cause:
    """A certificate ends soon, or has ended."""
    return Cause(
        key_of("certificate", name), f"certificate {name} {'has ended' if over else 'ends soon'}", "the monitor", since, text,
        "high" if over else "medium", 2 if over else 1, limit="a certificate that is valid", nags=False,
        do=("Put a new one in its place and restart the service.",),
    )  # fmt: skip


def page_away(since: Instant, error: str) -> Cause:
    """The page and the API do not answer: no entry can be made on a phone, and the links in messages lead nowhere."""
    return Cause(
        key_of("page"), "the page does not answer", "the monitor", since,
        f"Judging and the bells go on. It is tried again every minute. The trouble: {error}",
        "high", limit="a page that answers", nags=False,
        do=("Write down by hand what is to be entered. Restart the service; if that does not help, tell who maintains the program.",),
    )  # fmt: skip


def heartbeat_failing(since: Instant, where: str, error: str) -> Cause:
    """The beat to the outside does not arrive: those who watch over this monitor hear nothing from it."""
    return Cause(
        key_of("heartbeat"), "heartbeat does not get out", "the monitor", since, f"{where} did not take it: {error}",
        "medium", limit="a beat at every interval", nags=False,
        do=("See whether the network is there: messages to phones may not get out either. Stay within hearing of the siren.",),
    )  # fmt: skip


def replies_failing(way: str, since: Instant, error: str) -> Cause:
    """Answers by mail or MQTT cannot be fetched: who answers that way is not heard."""
    return Cause(
        key_of("replies", way), f"answers by {way} are not heard", "alarms", since, f"The last trouble was: {error}",
        "medium", limit="every answer heard", nags=False,
        do=("Acknowledge on the page or by the link. See to the mailbox or the broker.",),
    )  # fmt: skip


def drill_missed(since: Instant, who: str) -> Cause:
    """People whom the monthly drill did not reach, or who did not answer it."""
    return Cause(
        key_of("drill"), f"bell drill not answered by {who}", "alarms", since,
        "A drill that nobody answers means an alarm that nobody answers.", "medium", limit="everybody answers the drill", nags=False,
        settled=True, do=("Ask them whether it rang; mend the way; then run larderer bells drill again.",),
    )  # fmt: skip


def chattering(key: str, what: str, where: str, since: Instant, turns: int) -> Cause:
    """An alarm that comes and goes so often that nobody can act on it."""
    return Cause(
        key_of("chattering", key), f"alarm comes and goes: {what}"[:80], where, since,
        f"It began and ended {turns} times within 10 minutes. Every turn is kept; a further one rings at most once in the quiet time.",
        "medium", limit="no alarm that chatters", nags=False, settled=True,
        do=("Look at it: a loose plug, a door, or a limit set too near to normal running (deadband, on_delay).",),
    )  # fmt: skip
