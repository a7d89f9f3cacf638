"""The invented people of the demo: what Odile Marsh and Tam Okafor do about the day, each through the same door as anybody.

Odile runs the lots and answers her telephone within minutes by day. Once she cannot: her hands are in the ice
bath, so that the ladder reaches Tam. What they write is invented; nobody's records.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from monitor import ledger
from monitor.demo.site import ODILE, PHONES, TAM
from monitor.desk import Hand
from monitor.judging import FINDING
from monitor.service import Service
from probes.ferncliff import JUNIPER, TURKEY
from rules.quantity import fahrenheit, local, parse_instant, to_fahrenheit
from rules.reading import MINUTE, Fault, Instant, LotEvent, Reading, Span

_ODILE, _TAM = Hand(ODILE, "operator"), Hand(TAM, "reviewer")
_CORES: Mapping[str, tuple[str, ...]] = {JUNIPER: ("core-1", "core-2"), TURKEY: ("core-3", "core-4")}
_PEAK_C = fahrenheit(145.0)
_SEEN_AFTER: Span = 3 * MINUTE
_BUSY_FOR: Span = 25 * MINUTE
_ALARM = re.compile(r"alarm A(\d+), message")
_LINK = re.compile(r"https?://\S+/a/(\S+)")

#: For each critical limit of the story: what is written down, minutes after the record opened (a number: that one of the
#: plan's own list), and the answers that close it.
_ACTIONS: Mapping[str, tuple[tuple[int, str | int], ...]] = {
    "lethality": (
        (28, 2),
        (31, "Rack tagged HOLD and set apart on the lowest shelf of cooler-1."),
    ),
    "stabilization": ((4, 1), (9, 2), (12, "Racks tagged HOLD in cooler-1; the curve is printed for Tam Okafor.")),
}
_ANSWERS: Mapping[str, Mapping[str, str]] = {
    "lethality": {
        "cause": "The rack was taken out when the display first touched 145 °F. Nobody waited for the hold.",
        "removed": "The display alone no longer opens the house: a rack leaves it when the page says that the hold is met.",
        "restored": f"{TURKEY} was iced, chilled and set apart. {JUNIPER}, in the same house, stayed until its hold was met.",
        "prevention": "The sheet on the house door now says: held, not touched. Odile Marsh and Tam Okafor have read it.",
        "disposition": "recooked",
        "quantity": "38 kg",
        "reason": "Chilled in time and never out of our hands; cooked again as a lot of its own and held in full before anything is sold.",
    },
    "stabilization": {
        "cause": "Bathed for two and a half minutes only, then bloomed on a counter at 76 °F for more than two hours.",
        "removed": "The links went from the counter into cooler-1 at once; blooming at room temperature is stopped.",
        "restored": "In cooler-1 the cores came down to 40 °F and stay there.",
        "prevention": "Bloom in the cooler. The bath lasts until the core reads 80 °F, by the clock on the page.",
        "disposition": "destroyed",
        "quantity": "41 kg",
        "reason": "The first window was missed, and nobody here can show that growth stayed small.",
    },
}


class Cast:
    """Odile and Tam. `act` is what Odile does in the story, `ring` what their telephones get, `look` what they do about it."""

    def __init__(self, service: Service, tell: Callable[[str], None]) -> None:
        self._service, self._desk, self._tell = service, service.desk, tell
        self._heard: dict[int, Instant] = {}  # alarm: when Odile first could have heard of it
        self._links: dict[int, tuple[Instant, str]] = {}  # alarm: when Tam was told, and the link to say so
        self._lock = threading.Lock()
        self._busy_until: Instant = 0
        self._done: set[tuple[str, int]] = set()  # deviation, action
        self._seq = 0
        self._told: set[tuple[str, ...]] = set()
        self.messages: list[tuple[str, str]] = []  # telephone, what it showed

    # --- the day's work ------------------------------------------------------------------------------------------

    def act(self, event: LotEvent) -> None:
        """Do what the story has Odile do at this instant."""
        desk, lot, name = self._desk, event.lot, event.name
        if event.event == "start":
            desk.start_lot(_ODILE, name, lot=lot)
            self._tell(f"Odile starts lot {lot}: {self._service.plan.product_by_code[name].name}.")
        elif event.event == "step":
            if desk.lot(lot)["steps_now"] == [name]:
                return  # it is there already, by itself or by its start
            desk.step(_ODILE, lot, name)
            self._tell(f"Odile: {lot} goes on to {name}.")
            if lot == TURKEY and name == "bath":
                self._busy_until = event.at + _BUSY_FOR
                self._tell("Odile pulled it at the peak. Her hands are in the ice bath: she hears no telephone.")
        elif event.event == "place":
            desk.place(_ODILE, lot, name)
            self._tell(f"Odile puts {name} into {lot}.")
        elif event.event == "remove":
            desk.remove(_ODILE, lot, name, event.value)
            self._tell(f"Odile takes {name} out of {lot}: {event.value}.")
        elif event.event == "check":
            desk.check(_ODILE, lot, name, event.value)
            self._tell(f"Odile measures {lot} by hand: {event.value}.{self._grinding(lot, event.value)}")
        elif event.event == "end":
            desk.end(_ODILE, lot)
            self._tell(f"Odile ends lot {lot}.")
        else:
            raise ValueError(f"the story has {event.event} of {lot}, which nobody here can do")

    def _grinding(self, lot: str, value: str) -> str:
        """What a hand check means while the meat is ground: 34 °F is passed, and then it is cold again."""
        fahrenheits = float(value.split(maxsplit=1)[0])
        if fahrenheits > 34.0:
            self._told.add((lot, "warm"))
            return " Above 34 °F: the grinder stops, the meat goes onto frozen racks."
        if fahrenheits <= 32.0 and (lot, "warm") in self._told:
            self._told.discard((lot, "warm"))
            return " Cold again: it was re-chilled in time, she may grind on."
        return ""

    def saw(self, items: Sequence[Reading | Fault]) -> None:
        """Tell when a cook first touches 145 °F: for one lot that is the end of it, the other is held."""
        for item in items:
            if isinstance(item, Reading) and item.celsius >= _PEAK_C:
                lot = next((name for name, cores in _CORES.items() if item.probe in cores), "")
                if lot and (lot, "peak") not in self._told:
                    self._told.add((lot, "peak"))
                    what = "It stays in the heat: held, not touched." if lot == JUNIPER else "A peak is not a hold."
                    self._tell(f"{lot}, {item.probe} reads {to_fahrenheit(item.celsius):.1f} °F. {what}")

    # --- telephones ----------------------------------------------------------------------------------------------

    def ring(self, bell: str, title: str, body: str) -> None:
        """A message has come to a telephone; called from the telephone's own thread."""
        person = PHONES.get(bell, bell)
        self._tell(f"[phone of {person}] {body.strip().splitlines()[0]}")
        alarm, link = _ALARM.search(body), _LINK.search(body)
        with self._lock:
            self.messages.append((bell, body))
            if bell == "tam-phone" and alarm is not None and link is not None:
                self._links.setdefault(int(alarm[1]), (self._service.clock(), link[1]))

    # --- what they do about it -----------------------------------------------------------------------------------

    def look(self, now: Instant) -> None:
        """Tell what was found, answer the telephones, and see to the deviation records."""
        self._found()
        self._answer(now)
        for record in self._desk.deviations():
            if record["state"] == "open":
                self._correct(record, now)
            elif record["state"] == "answered" and now - parse_instant(record["answered"]) >= 10 * MINUTE:
                self._desk.review_deviation(_TAM, [record["id"]], "Read against the curve and the notes; agreed.")
                self._tell(f"Tam reviews {record['id']} and agrees: the record is closed.")

    def _found(self) -> None:
        """What was met, and what moved by itself: nobody needs to respond, so no telephone tells it."""
        with self._service.store.read() as conn:
            entries = list(ledger.entries(conn, since=self._seq, kind=FINDING))
        for entry in entries:
            self._seq = entry.seq
            body = entry.body
            watch = (body["lot"], body["step"], body["limit"], body["probe"])
            if body["what"] == "met" and body["critical"] and watch not in self._told:
                self._told.add(watch)
                self._tell(f"{body['lot']}, {body['limit']}, {body['probe']}: met. {body['text']}")
            elif body["what"] == "advanced":
                self._tell(f"{body['lot']} moves on by itself: {body['text']}")

    def _answer(self, now: Instant) -> None:
        hour = local(now, self._service.plan.site.zone).hour
        awake = not 2 <= (hour - 20) % 24 < 8.4  # from 22:00 to 04:24 she sleeps
        for alarm in self._desk.alarms():
            number = alarm["number"]
            if not alarm["unacknowledged"] or alarm["rang"] is None:
                continue
            with self._lock:
                told, link = self._links.get(number, (now, ""))
            if link and now - told >= 4 * MINUTE:
                self._desk.acknowledge_by_link(link, "Seen. I walk over to the smokehouse and look.")
                self._tell(f"Tam taps the link in the message: A{number} is seen.")
                continue
            if not awake or now < self._busy_until:
                self._heard.pop(number, None)
                continue
            heard = self._heard.setdefault(number, now)
            if not link and now - heard >= _SEEN_AFTER:
                self._desk.acknowledge(_ODILE, alarm["id"], "Seen, on it.")
                self._tell(f"Odile acknowledges A{number}: {alarm['what']}.")

    def _correct(self, record: Mapping[str, Any], now: Instant) -> None:
        """Write down the corrective action as it is taken, and answer the record once control is restored."""
        ident, open_for = record["id"], now - record["opened_at"]
        plain = tuple((5 + 5 * n, n + 1) for n in range(len(record["do"])))
        actions = _ACTIONS.get(record["limit"], plain)
        for n, (minutes, what) in enumerate(actions):
            if (ident, n) not in self._done and open_for >= minutes * MINUTE:
                self._done.add((ident, n))
                shown = self._desk.act(_ODILE, ident, what)
                self._tell(f"Odile writes into {ident}: {shown['actions'][-1]['text']}")
        answers = _ANSWERS.get(record["limit"])
        reading = self._cold(record["lot"], now) if answers is not None else ""
        if answers is not None and reading and all((ident, n) in self._done for n in range(len(actions))):
            self._desk.close_deviation(_ODILE, [ident], {**answers, "reading": reading})
            self._tell(
                f"Odile answers {ident}: {answers['cause']} Control restored: {reading}. {answers['quantity']} {answers['disposition']}."
            )

    def _cold(self, lot: str, now: Instant) -> str:
        """The readings that show control restored: every core of the lot at 40 °F or below; blank before."""
        cores = [one for one in self._desk.probes() if one["lot"] == lot and one["place"] == "core" and one["celsius_c"] is not None]
        if not cores or any(to_fahrenheit(one["celsius_c"]) > 40.0 for one in cores):
            return ""
        at = local(now, self._service.plan.site.zone).strftime("%H:%M")
        return ", ".join(f"{one['probe']} {to_fahrenheit(one['celsius_c']):.1f} °F" for one in cores) + f" at {at} in cooler-1"
