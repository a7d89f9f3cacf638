"""What a bell says. The first 160 characters, one SMS, hold what, where, since when, the limit, what to do now and the alarm's id."""

from __future__ import annotations

from typing import Final

from monitor.alarms.causes import Cause
from rules.plan import Site
from rules.quantity import local
from rules.reading import Instant

HEAD: Final = 160
#: The least that each part keeps when the line is too long, in the order they are written.
_LEAST: Final = {"what": 36, "where": 20, "since": 24, "limit": 20, "do": 30}


def clock(at: Instant, site: Site) -> str:
    """A local time with its offset: "Mar 2 13:04-06:00"."""
    moment = local(at, site.zone)
    offset = moment.strftime("%z")
    return f"{moment.strftime('%b')} {moment.day} {moment.strftime('%H:%M')}{offset[:3]}:{offset[3:5]}"


def short(text: str, room: int) -> str:
    """The text, cut at a word with an ellipsis where it is longer than `room`."""
    if len(text) <= room:
        return text
    cut = text[: max(room - 1, 0)]
    at_word = cut.rsplit(" ", 1)[0]
    return (at_word if len(at_word) > room // 2 else cut).rstrip(" ,;.") + "…"


def headline(cause: Cause, alarm_id: int, site: Site, mark: str = "") -> str:
    """The first line: at most 160 characters, whatever the names in the plan. `mark` says "AGAIN" or the like."""
    lead = f"{cause.priority.upper()} {mark + ' ' if mark else ''}A{alarm_id}: "
    parts = {
        "what": cause.what,
        "where": cause.where,
        "since": f"since {clock(cause.since, site)}",
        "limit": cause.limit,
        "do": cause.do[0] if cause.do else "Look at it now.",
    }
    joints = {"what": "", "where": ", ", "since": ", ", "limit": ". Limit: ", "do": ". Do: "}
    kept = [name for name in parts if parts[name]]
    room = HEAD - len(lead) - sum(len(joints[name]) for name in kept)
    spare = room - sum(min(len(parts[name]), _LEAST[name]) for name in kept)
    line = lead
    for name in kept:
        least = min(len(parts[name]), _LEAST[name])
        text = short(parts[name], least + max(spare, 0))
        spare -= max(len(text) - least, 0)
        line += joints[name] + text.rstrip("." if name != "do" else "")
    return line.replace("…. ", "… ")[:HEAD]


def body(
    cause: Cause, alarm_id: int, site: Site, message_id: str, link: str = "", mark: str = "", more: tuple[str, ...] = (), answer: str = ""
) -> str:
    """The whole message: the headline, the finding's own sentence, what to do, the link and the code to answer with, the message's id."""
    lines = [headline(cause, alarm_id, site, mark), "", cause.text, *([cause.doubt] if cause.doubt else [])]
    lines += more
    if len(cause.do) > 1:
        lines += ["What to do:", *(f"{number}. {step}" for number, step in enumerate(cause.do, start=1))]
    if link:
        lines += [f"I have seen it: {link}"]
    if answer:
        lines += [answer]
    lines += [f"{site.name}, alarm A{alarm_id}, message {message_id}"]
    return "\n".join(line for line in lines if line is not None)


def title(cause: Cause, alarm_id: int, site: Site) -> str:
    """The subject line where a bell has one."""
    return short(f"{cause.priority.upper()} A{alarm_id} {cause.what} - {site.name}", 100)
