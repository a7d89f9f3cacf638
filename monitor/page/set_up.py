"""Setting up from the phone: people and how they are reached, probes and bells; and changing one's own PIN."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from fastapi import APIRouter, Response

from monitor import people as staff
from monitor.api.access import remote_of
from monitor.api.session import set_cookie
from monitor.config import ROLES
from monitor.desk import Hand
from monitor.errors import InputError, NotFoundError
from monitor.page.forms import Posted, Sent, SignedIn
from monitor.page.shown import REFUSALS, PageRoute, Shown, back, page, sentences, status_of
from monitor.people import LEAST_SECRET, People
from monitor.set_up import SetUp, reviewer
from rules.plan import PLACES

if TYPE_CHECKING:
    from monitor.commands.probe_add import Wanted

router = APIRouter(route_class=PageRoute, include_in_schema=False)
#: What must be said wherever a file was changed, since the service reads it once.
AT_START = "It is written, and holds from the next start of the service."


def _desk(shown: Shown) -> SetUp:
    return cast(SetUp, shown.request.app.state.set_up)


def _hand(shown: Shown) -> Hand:
    return Hand(shown.who.name, shown.who.role)


@router.get("/set-up")
def show(shown: SignedIn) -> Response:
    """Where each thing is set up."""
    desk, hand = _desk(shown), _hand(shown)
    counts = {"people": len(desk.people(hand)), "probes": len(desk.probes(hand)), "bells": len(desk.bells(hand))}
    return page(shown, "set_up.html", counts=counts)


# ---- people ----


@router.get("/set-up/people")
def show_people(shown: SignedIn) -> Response:
    """Who may do what, and a form for one more."""
    return _people(shown)


def _people(shown: Shown, status: int = 200, trouble: tuple[str, list[str]] | None = None, sent: Posted | None = None) -> Response:
    desk, hand = _desk(shown), _hand(shown)
    return page(
        shown, "set_up_people.html", status=status, people=desk.people(hand), bells=desk.bells(hand), roles=ROLES, trouble=trouble,
        values=sent.values if sent else {}, chosen=sent.lists.get("bells", []) if sent else (),
    )  # fmt: skip


@router.post("/set-up/people")
def add_person(sent: Sent) -> Response:
    """One more person; their code is shown once."""
    shown, name = sent.shown, " ".join(sent.text("name").split())
    try:
        code = _desk(shown).add_person(sent.hand, name, sent.text("role"), sent.lists.get("bells", []), sent.text("mail"))
    except REFUSALS as error:
        return _people(shown, status_of(error), ("person", sentences(error)), sent)
    return _code(shown, name, code, later=bool(sent.lists.get("bells") or sent.text("mail")))


def _code(shown: Shown, name: str, code: str, *, later: bool = False) -> Response:
    # Not through `back`: a code does not belong into a cookie.
    return page(shown, "set_up_code.html", name=name, code=code, later=AT_START if later else "")


@router.get("/set-up/people/{person}")
def show_person(person: str, shown: SignedIn) -> Response:
    """One person: role, ways to be reached, a new code, removal."""
    return _person(shown, person)


def _person(
    shown: Shown, name: str, status: int = 200, trouble: tuple[str, list[str]] | None = None, sent: Posted | None = None
) -> Response:
    desk, hand = _desk(shown), _hand(shown)
    one = next((p for p in desk.people(hand) if p["name"] == name), None)
    if one is None:
        raise NotFoundError(f'there is nobody named "{name[:80]}" here; choose somebody from the list')
    chosen = one["bells"] if sent is None else sent.lists.get("bells", [])
    # Theirs first and in their order: it is the order in which they are sent, and so in which they are written and tried.
    bells = sorted(desk.bells(hand), key=lambda bell: chosen.index(bell["id"]) if bell["id"] in chosen else len(chosen))
    return page(
        shown, "set_up_person.html", status=status, one=one, bells=bells, roles=ROLES, trouble=trouble, chosen=chosen,
        values={"role": one["role"], "mail": one["mail"]} if sent is None else sent.values,
    )  # fmt: skip


@router.post("/set-up/people/{person}")
def change_person(person: str, sent: Sent) -> Response:
    """Another role, other ways to be reached."""
    try:
        later = _desk(sent.shown).change_person(sent.hand, person, sent.text("role"), sent.lists.get("bells", []), sent.text("mail"))
    except REFUSALS as error:
        return _person_again(sent, person, error)
    return back("/set-up/people", f"{person} is {sent.text('role')}, from now on.", AT_START if later else "")


@router.post("/set-up/people/{person}/code")
def new_code(person: str, sent: Sent) -> Response:
    """A code for a new PIN; the old one ends."""
    try:
        code = _desk(sent.shown).new_code(sent.hand, person)
    except REFUSALS as error:
        return _person_again(sent, person, error)
    return _code(sent.shown, person, code)


@router.post("/set-up/people/{person}/remove")
def remove_person(person: str, sent: Sent) -> Response:
    """Take away somebody's access."""
    try:
        left = _desk(sent.shown).remove_person(sent.hand, person)
    except REFUSALS as error:
        return _person_again(sent, person, error)
    rung = "" if left else "Where bells reached them, they still do until the next start of the service."
    return back("/set-up/people", f"{person} has no access any more. What they wrote stays under their name.", left or rung)


def _person_again(sent: Posted, name: str, error: Exception) -> Response:
    if sent.hand.role != "reviewer" or isinstance(error, NotFoundError):
        raise error
    return _person(sent.shown, name, status_of(error), ("person", sentences(error)), sent if "mail" in sent.values else None)


# ---- bells ----


@router.get("/set-up/bells")
def show_bells(shown: SignedIn) -> Response:
    """Every bell, a test for each, and a form for one more."""
    return _bells(shown)


def _bells(shown: Shown, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Any = None) -> Response:
    bells = _desk(shown).bells(_hand(shown))
    return page(shown, "set_up_bells.html", status=status, bells=bells, trouble=trouble, values=values or {})


@router.post("/set-up/bells")
def add_bell(sent: Sent) -> Response:
    """One more bell."""
    bell = sent.text("bell")
    try:
        _desk(sent.shown).add_bell(sent.hand, bell, sent.text("way"), sent.text("where"), at_once=sent.text("at_once") == "yes")
    except REFUSALS as error:
        return _bells(sent.shown, status_of(error), ("bell", sentences(error)), sent.values)
    return back("/set-up/bells", f"Bell {bell} is added. {AT_START} Test it here now.")


@router.post("/set-up/bells/{bell}/test")
def test_bell(bell: str, sent: Sent) -> Response:
    """Ring one bell."""
    return back("/set-up/bells", _desk(sent.shown).test_bell(sent.hand, bell))


# ---- probes ----


@router.get("/set-up/probes")
def show_probes(shown: SignedIn) -> Response:
    """Every probe with its source and placement; with `?look=1` also what is plugged in and unused, and a form for one more."""
    return _probes(shown, look=bool(shown.request.query_params.get("look")))


def _probes(shown: Shown, *, look: bool, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Any = None) -> Response:
    desk, hand = _desk(shown), _hand(shown)
    found, unheard = desk.found(hand) if look else ([], "")
    return page(
        shown, "set_up_probes.html", status=status, probes=desk.probes(hand), look=look, found=found, unheard=unheard, places=PLACES,
        rooms=[room.id for room in shown.desk.plan.rooms], trouble=trouble, values=values or {},
    )  # fmt: skip


@router.post("/set-up/probes")
def add_probe(sent: Sent) -> Response:
    """One more probe."""
    reviewer(sent.hand)
    try:
        wanted = _wanted(sent)
        said = _desk(sent.shown).add_probe(sent.hand, wanted)
    except REFUSALS as error:
        return _probes(sent.shown, look=True, status=status_of(error), trouble=("probe", sentences(error)), values=sent.values)
    return back("/set-up/probes", f"Probe {wanted.probe} is added. {AT_START}", *said, "Check it against ice water before it watches meat.")


def _wanted(sent: Posted) -> Wanted:
    from monitor.commands.probe_add import Wanted

    source, baud = sent.text("given") or sent.text("source"), sent.text("baud")
    if not source:
        raise InputError("what it is plugged into is blank; choose what was found, or write it, such as serial:/dev/ttyUSB0")
    if not sent.text("probe"):
        raise InputError("the name of the probe is blank; write one, such as core-4")
    if baud and (not baud.isdecimal() or len(baud) > 7):
        raise InputError(f'baud is "{baud[:20]}"; write a number such as 9600')
    uncertainty = sent.text("uncertainty")
    if uncertainty and not uncertainty.upper().endswith(("C", "F")):
        uncertainty = f"{uncertainty.replace(',', '.')} °{sent.shown.words.unit}"
    return Wanted(
        source, sent.text("probe"), sent.text("place"), sent.text("room"), uncertainty, sent.text("unit"), int(baud or 0),
        sent.text("value"), yes=True,
    )  # fmt: skip


# ---- one's own PIN ----


@router.get("/pin")
def show_pin(shown: SignedIn) -> Response:
    """A form for another PIN of one's own."""
    return page(shown, "pin.html", least=LEAST_SECRET)


@router.post("/pin")
def change_pin(sent: Sent) -> Response:
    """Another PIN, for whoever knows the old one; every other session of theirs ends."""
    shown, request = sent.shown, sent.shown.request
    people, desk = cast(People, request.app.state.people), _desk(shown)
    old, new = sent.values.get("old", ""), sent.values.get("new", "")
    way = {"scheme": request.url.scheme, "remote": remote_of(request)}
    try:
        if not old or not new:
            raise InputError("the old or the new PIN is blank; write both")
        if new != sent.values.get("again", ""):
            raise InputError("the two new PINs differ; write the same PIN or password twice")
        people.sign_in(sent.hand.by, old, **way)  # its pace and lock-out hold here too
        desk.submit(lambda conn: staff.set_secret(conn, sent.hand.by, new, shown.words.now, by=sent.hand.by))
        token, who = people.sign_in(sent.hand.by, new, **way)
    except REFUSALS as error:
        told = [one.replace("Name or secret is not right; try again, or ask", "The old PIN is not right; try again, or ask")
                for one in sentences(error)]  # fmt: skip
        return page(shown, "pin.html", status=status_of(error), least=LEAST_SECRET, trouble=("pin", told))
    response = back("/", f"{who.name}, your new PIN holds from now on. Other phones are signed out.")
    set_cookie(request, response, token)
    return response
