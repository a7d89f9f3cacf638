"""What a form brings: its values, whose hand it is, and the time that it speaks of."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import timedelta, tzinfo
from itertools import pairwise
from typing import Annotated, NamedTuple

from fastapi import Depends, Request

from monitor.api.access import form_token_fits
from monitor.api.problems import Problem
from monitor.desk import Hand
from monitor.errors import InputError
from monitor.moments import local_instant
from monitor.once import Key
from monitor.page.shown import Shown, signed_in
from rules.errors import QuantityError
from rules.quantity import local, parse_temperature
from rules.reading import HOUR, MINUTE, Instant

_MOST_FIELDS = 200
#: How long ago things usually happened when somebody gets round to writing them down, in minutes.
AGO = (2, 5, 10, 15, 20, 30, 45, 60, 90, 120, 180)


class Posted(NamedTuple):
    """A form that was sent: its values and the hand that makes the entry, with the page's inputs."""

    shown: Shown
    values: Mapping[str, str]
    lists: Mapping[str, list[str]]
    hand: Hand

    def text(self, name: str) -> str:
        """One value without the spaces around it; blank where the form has none."""
        return self.values.get(name, "").strip()

    def part(self, number: int) -> Hand:
        """The hand for one of several entries that a single form makes, so that each is made once."""
        key = self.hand.key
        return Hand(self.hand.by, self.hand.role, None if key is None else Key(f"{key.key}-{number}", key.request))


async def posted(request: Request, shown: Annotated[Shown, Depends(signed_in)]) -> Posted:
    """A dependency: the form, sent by a page of this session. The same form sent twice is carried out once."""
    values, lists = await read_form(request)
    if not form_token_fits(shown.who, values.get("form_token", "")):
        raise Problem(
            "not-allowed", "This form is from before you signed in. Nothing was done; open the page again and send it from there."
        )
    if not shown.works:
        raise Problem("not-allowed", f"{shown.who.name} only reads here; an operator or reviewer makes entries.")
    # Whoever goes back, corrects the form and sends it again means something new; whoever sends the same twice does not.
    digest = hashlib.sha256(f"{request.url.path}\n{sorted((k, v) for k, v in lists.items() if k != 'form_token')}".encode()).hexdigest()
    nonce = values.get("once", "")[:40]
    key = Key(f"page-{nonce}-{digest[:32]}", digest) if nonce else None
    return Posted(shown, values, lists, Hand(shown.who.name, shown.who.role, key))


async def read_form(request: Request) -> tuple[dict[str, str], dict[str, list[str]]]:
    """A form's first value by name, and all of them."""
    form = await request.form(max_fields=_MOST_FIELDS, max_files=0)
    lists: dict[str, list[str]] = {}
    for name, value in form.multi_items():
        lists.setdefault(name, []).append(str(value))
    return {name: values[0] for name, values in lists.items()}, lists


SignedIn = Annotated[Shown, Depends(signed_in)]
Sent = Annotated[Posted, Depends(posted)]


def moment(values: Mapping[str, str], now: Instant, zone: tzinfo) -> Instant | None:
    """When it happened: None for now, else from `ago` (minutes) or the local time `when`, with `fold` for a doubled hour."""
    written = values.get("when", "").strip()
    if written:
        return local_instant(written, zone, second=values.get("fold", "") == "second")
    ago = values.get("ago", "").strip()
    if not ago or ago == "0":
        return None
    if not ago.isdigit() or int(ago) > 7 * 24 * 60:
        raise InputError(f'minutes ago is "{ago[:20]}"; write a whole number such as 15, or the time itself')
    return now - int(ago) * MINUTE


def doubled_hour(now: Instant, zone: tzinfo) -> bool:
    """Whether the clocks went back within the last two days, so that a local time may mean two instants."""
    shifts = [local(now - n * HOUR, zone).utcoffset() or timedelta(0) for n in range(49)]
    return any(newer < older for newer, older in pairwise(shifts))


def typed_temperature(number: str, unit: str, site_unit: str) -> str:
    """The temperature that a form's number and unit say, as text with its unit; a unit typed with the number stands."""
    text = number.strip().replace(",", ".").replace("−", "-")
    if not text:
        raise InputError(f'temperature is blank; write what the thermometer reads, such as "33.5" and its unit °{site_unit}')
    if not text.upper().rstrip("° ").endswith(("C", "F")):
        text = f"{text} °{unit if unit in ('C', 'F') else site_unit}"
    try:
        parse_temperature(text)
    except QuantityError:
        raise InputError(f'temperature is "{number[:30]}"; write a number such as 33.5, and its unit beside it') from None
    return text
