"""Who may do what: people with a PIN or password, probes with a token, and the sessions they open.

Roles: an *operator* runs lots, a *reviewer* does that too and signs days, an *inspector* only reads; a
*probe* token may hand in readings and nothing else, a *metrics* token may read the service's numbers and
nothing else. Secrets are kept as Argon2id hashes (RFC 9106), session and device tokens as SHA-256: what lies
in the database opens nothing. Acknowledging an alarm by its signed link asks none of this, so a person who
has locked the door by mistyping can still answer.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import Column, Connection, ForeignKey, Table, delete, insert, select, update

from monitor import access_log, ledger, sign_in_pace
from monitor.config import ROLES, Person
from monitor.errors import InputError, NotFoundError, SignInError
from monitor.store.database import Store
from monitor.store.metadata import INSTANT, SMALL, TEXT, WHOLE, metadata
from monitor.store.writer import Writer
from rules.reading import HOUR, MINUTE, SECOND, Instant, Span

if TYPE_CHECKING:
    from argon2 import PasswordHasher

DEVICE_ROLES = ("probe", "inspector", "metrics")
#: A session ends this long after it was last used, and at the latest this long after it was opened.
IDLE: Span = 14 * HOUR
LONGEST: Span = 7 * 24 * HOUR
#: A secret typed on a phone: short enough for wet hands; guessing is slowed by `sign_in_pace`.
LEAST_SECRET, MOST_SECRET = 6, 200
_INVITE: Span = 7 * 24 * HOUR
_RECHECK: Span = 5 * SECOND
_CODE_LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ23456789"

person = Table(
    "person",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("name", TEXT, nullable=False),
    Column("name_key", TEXT, nullable=False, unique=True),
    Column("role", TEXT, nullable=False),
    Column("secret_hash", TEXT, nullable=False, default=""),
    Column("invite_sha256", TEXT, nullable=False, default=""),
    Column("invite_until", INSTANT, nullable=False, default=0),
    Column("from_config", SMALL, nullable=False, default=0),
    Column("created_at", INSTANT, nullable=False),
    Column("removed_at", INSTANT),
    sqlite_strict=True,
)
session = Table(
    "session",
    metadata,
    Column("token_sha256", TEXT, primary_key=True),
    Column("person_id", WHOLE, ForeignKey("person.id"), nullable=False),
    Column("opened_at", INSTANT, nullable=False),
    Column("used_at", INSTANT, nullable=False),
    sqlite_strict=True,
)
device_token = Table(
    "device_token",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("name", TEXT, nullable=False, unique=True),
    Column("role", TEXT, nullable=False),
    Column("token_sha256", TEXT, nullable=False, unique=True),
    Column("created_at", INSTANT, nullable=False),
    Column("revoked_at", INSTANT),
    sqlite_strict=True,
)


class Who(NamedTuple):
    """Who is asking. `form_token` must come back with every change made under a session cookie."""

    name: str
    role: str
    device: bool = False
    form_token: str = ""


# ---- administration: plain functions on the writer's connection; `larderer user …` uses them too ----


def add_person(conn: Connection, name: str, role: str, now: Instant, *, secret: str = "", by: str = "", from_config: bool = False) -> None:
    """Add a person, or bring back one who was removed; the secret may be set later by an invitation."""
    shown = " ".join(name.split())
    if not 1 <= len(shown) <= 80:
        raise InputError(f"name is {name!r}; write 1 to 80 characters")
    if role not in ROLES:
        raise InputError(f"role of {shown} is {role!r}; write one of {', '.join(ROLES)}")
    known = conn.execute(select(person.c.id, person.c.removed_at).where(person.c.name_key == _name_key(name))).one_or_none()
    if known is not None and known.removed_at is None:
        raise InputError(f'there is already a person named "{shown}"; write a name that tells them apart')
    values = {
        "name": shown,
        "role": role,
        "from_config": int(from_config),
        "removed_at": None,
        "secret_hash": _hash(secret) if secret else "",
    }
    if known is None:
        conn.execute(insert(person).values(name_key=_name_key(name), created_at=now, **values))
    else:
        conn.execute(update(person).where(person.c.id == known.id).values(invite_sha256="", **values))
    ledger.append(conn, "person", {"what": "added", "name": shown, "role": role}, now, by, entered_at=now)


def set_secret(conn: Connection, name: str, secret: str, now: Instant, by: str = "") -> None:
    """Give a person a new PIN or password; every session of theirs ends."""
    row = _person(conn, name)
    conn.execute(update(person).where(person.c.id == row["id"]).values(secret_hash=_hash(secret), invite_sha256=""))
    conn.execute(delete(session).where(session.c.person_id == row["id"]))
    ledger.append(conn, "person", {"what": "secret set", "name": str(row["name"])}, now, by, entered_at=now)


def remove_person(conn: Connection, name: str, now: Instant, by: str = "") -> None:
    """Take a person's access away; their records keep their name."""
    row = _person(conn, name)
    conn.execute(update(person).where(person.c.id == row["id"]).values(removed_at=now, secret_hash="", invite_sha256=""))
    conn.execute(delete(session).where(session.c.person_id == row["id"]))
    ledger.append(conn, "person", {"what": "removed", "name": str(row["name"])}, now, by, entered_at=now)


def invite(conn: Connection, name: str, now: Instant, by: str = "") -> str:
    """A code, good once and for a week, with which that person sets their own PIN or password."""
    row, code = _person(conn, name), _code()
    conn.execute(update(person).where(person.c.id == row["id"]).values(invite_sha256=_sha(code), invite_until=now + _INVITE))
    ledger.append(conn, "person", {"what": "invited", "name": str(row["name"])}, now, by, entered_at=now)
    return code


def list_people(conn: Connection) -> list[dict[str, object]]:
    """Everybody with access: `name`, `role`, `can_sign_in`."""
    rows = conn.execute(select(person).where(person.c.removed_at.is_(None)).order_by(person.c.name_key))
    return [{"name": r.name, "role": r.role, "can_sign_in": bool(r.secret_hash)} for r in rows]


def workers(conn: Connection) -> list[Person]:
    """Everybody with access as `monitor.deviations` asks for them: who works here, and who may be the second person."""
    rows = conn.execute(select(person.c.name, person.c.role).where(person.c.removed_at.is_(None)).order_by(person.c.name_key))
    return [Person(r.name, r.role) for r in rows]


def sync_people(conn: Connection, people: Sequence[Person], now: Instant) -> None:
    """Bring the table in line with the configuration: new people in, roles as written, those struck out removed."""
    rows = {r.name_key: r for r in conn.execute(select(person).where(person.c.removed_at.is_(None)))}
    wanted = {_name_key(p.name): p for p in people}
    for key, one in wanted.items():
        if key not in rows:
            add_person(conn, one.name, one.role, now, by="configuration", from_config=True)
        elif rows[key].role != one.role or not rows[key].from_config:
            conn.execute(update(person).where(person.c.name_key == key).values(role=one.role, from_config=1))
            ledger.append(conn, "person", {"what": "role", "name": one.name, "role": one.role}, now, "configuration", entered_at=now)
    for key, row in rows.items():
        if row.from_config and key not in wanted:
            remove_person(conn, row.name, now, by="configuration")


def add_device(conn: Connection, name: str, role: str, now: Instant, by: str = "") -> str:
    """A bearer token for a machine: role `probe` hands in readings, `inspector` only reads, `metrics` reads the numbers. Shown once."""
    if role not in DEVICE_ROLES:
        raise InputError(f"role of {name} is {role!r}; write one of {', '.join(DEVICE_ROLES)}; what changes records is signed by a person")
    if conn.execute(select(device_token.c.id).where(device_token.c.name == name)).first() is not None:
        raise InputError(f'there is already a token named "{name}"; write another name')
    token = secrets.token_urlsafe(32)
    conn.execute(insert(device_token).values(name=name, role=role, token_sha256=_sha(token), created_at=now))
    ledger.append(conn, "person", {"what": "token made", "name": name, "role": role}, now, by, entered_at=now)
    return token


def revoke_device(conn: Connection, name: str, now: Instant, by: str = "") -> None:
    """Make a machine's token worthless from now on."""
    done = conn.execute(update(device_token).where(device_token.c.name == name, device_token.c.revoked_at.is_(None)).values(revoked_at=now))
    if done.rowcount == 0:
        raise NotFoundError(f'there is no token named "{name}"; `larderer user list` names them')
    ledger.append(conn, "person", {"what": "token revoked", "name": name}, now, by, entered_at=now)


# ---- signing in ----


class People:
    """Signs people in and says who a cookie or a token belongs to.

    `clock` gives the service's time. Lookups are remembered for a few seconds, so that a token revoked by
    another process is refused within 5 s and one used for every reading costs no query each.
    """

    def __init__(self, store: Store, writer: Writer, clock: Callable[[], Instant], *, trusted_network: bool = False) -> None:
        self._store, self._writer, self._clock = store, writer, clock
        self._trusted_network = trusted_network
        self._seen: dict[str, tuple[Instant, Who | None]] = {}
        # One secret is checked at a time: each check takes 19 MiB, and a flood of them must not fill a small board.
        self._one_check = threading.Lock()
        self._first_run = ""
        self._refused = access_log.Refused()

    def first_run_code(self) -> str:
        """A code to print at start when nobody can sign in yet; blank as soon as somebody can."""
        with self._store.read() as conn:
            someone = conn.execute(select(person.c.id).where(person.c.secret_hash != "", person.c.removed_at.is_(None))).first()
        if someone is not None:
            self._first_run = ""
            return ""
        code = _code()
        self._first_run = _sha(code)
        return code

    def may_sign_in_over(self, scheme: str, remote: str) -> bool:
        """Whether a secret may be typed over this connection: encrypted, or never leaving this machine, or a trusted network."""
        return scheme == "https" or remote in ("127.0.0.1", "::1") or self._trusted_network

    def sign_in(self, name: str, secret: str, *, scheme: str, remote: str) -> tuple[str, Who]:
        """Open a session: the cookie's value and who it is; raises SignInError, with the wait where there is one."""
        self._check_way(scheme, remote)
        self._check_pace(name, remote)
        with self._store.read() as conn:
            row = conn.execute(select(person).where(person.c.name_key == _name_key(name), person.c.removed_at.is_(None))).one_or_none()
        good = self._check(row.secret_hash if row is not None else "", secret)
        if row is None or not good:
            raise self._failed(name, remote, "name or secret is not right; try again, or ask for a new invitation code")
        return self._open(row.id, row.name, row.role, remote)

    def claim(self, code: str, name: str, secret: str, *, scheme: str, remote: str) -> tuple[str, Who]:
        """Set one's own secret with an invitation code, or make the first person with the code printed at start; signs in."""
        self._check_way(scheme, remote)
        self._check_pace(name, remote)
        hashed, now = _hash(secret), self._clock()
        given = _sha(code.strip().upper())

        def job(conn: Connection) -> tuple[int, str, str]:
            row = conn.execute(select(person).where(person.c.name_key == _name_key(name), person.c.removed_at.is_(None))).one_or_none()
            nobody = conn.execute(select(person.c.id).where(person.c.secret_hash != "", person.c.removed_at.is_(None))).first() is None
            first = nobody and bool(self._first_run) and hmac.compare_digest(given, self._first_run)
            invited = row is not None and now <= row.invite_until and hmac.compare_digest(given, row.invite_sha256)
            if not (first or invited):
                raise SignInError("code or name is not right, or the code has been used or is too old; ask for a new one")
            if row is None:
                add_person(conn, name, "reviewer", now, by="first run")
            row_id = int(_person(conn, name)["id"])  # type: ignore[call-overload]
            conn.execute(update(person).where(person.c.id == row_id).values(secret_hash=hashed, invite_sha256=""))
            ledger.append(conn, "person", {"what": "secret set", "name": " ".join(name.split())}, now, name, entered_at=now)
            made = _person(conn, name)
            return row_id, str(made["name"]), str(made["role"])

        try:
            person_id, shown, role = self._writer.submit(job).result()
        except SignInError as error:
            raise self._failed(name, remote, str(error)) from None
        self._first_run = ""
        return self._open(person_id, shown, role, remote)

    def sign_out(self, token: str) -> None:
        """End a session."""
        digest, now = _sha(token), self._clock()

        def job(conn: Connection) -> None:
            whose = select(person.c.name).join_from(session, person).where(session.c.token_sha256 == digest)
            name = conn.scalar(whose)
            if name is not None:
                conn.execute(delete(session).where(session.c.token_sha256 == digest))
                access_log.signed_out(conn, name, now)

        self._writer.submit(job).result()
        self._seen.pop("s" + digest, None)

    def by_session(self, token: str) -> Who | None:
        """Whose session this cookie opens, or None."""
        digest, now = _sha(token), self._clock()
        known = self._remembered("s" + digest, now)
        if known is not _UNKNOWN:
            return known  # type: ignore[return-value]  # narrowed by the sentinel
        with self._store.read() as conn:
            row = conn.execute(
                select(person.c.name, person.c.role, session.c.opened_at, session.c.used_at)
                .join_from(session, person)
                .where(session.c.token_sha256 == digest, person.c.removed_at.is_(None))
            ).one_or_none()
        if row is None or now - row.used_at > IDLE or now - row.opened_at > LONGEST:
            return self._remember("s" + digest, now, None)
        if now - row.used_at > 15 * MINUTE:
            touch = update(session).where(session.c.token_sha256 == digest).values(used_at=now)
            self._writer.submit(lambda conn: conn.execute(touch), waiting=False)
        return self._remember("s" + digest, now, Who(row.name, row.role, form_token=form_token(token)))

    def by_bearer(self, token: str) -> Who | None:
        """Which machine this bearer token belongs to, or None."""
        digest, now = _sha(token), self._clock()
        known = self._remembered("d" + digest, now)
        if known is not _UNKNOWN:
            return known  # type: ignore[return-value]
        with self._store.read() as conn:
            row = conn.execute(
                select(device_token.c.name, device_token.c.role).where(
                    device_token.c.token_sha256 == digest, device_token.c.revoked_at.is_(None)
                )
            ).one_or_none()
        return self._remember("d" + digest, now, Who(row.name, row.role, device=True) if row is not None else None)

    def _open(self, person_id: int, name: str, role: str, remote: str) -> tuple[str, Who]:
        token, now = secrets.token_urlsafe(32), self._clock()

        def job(conn: Connection) -> None:
            conn.execute(delete(session).where(session.c.used_at < now - IDLE))
            conn.execute(insert(session).values(token_sha256=_sha(token), person_id=person_id, opened_at=now, used_at=now))
            sign_in_pace.record(conn, _name_key(name), remote, now, good=True)
            access_log.signed_in(conn, name, role, remote, now)

        self._writer.submit(job).result()
        return token, Who(name, role, form_token=form_token(token))

    def _check(self, hashed: str, secret: str) -> bool:
        from argon2.exceptions import VerificationError

        # A name that does not exist is checked against a hash all the same, so that both take as long.
        with self._one_check:
            try:
                return _hasher().verify(hashed or _DECOY, secret[:MOST_SECRET]) and bool(hashed)
            except VerificationError:
                return False

    def _check_way(self, scheme: str, remote: str) -> None:
        if not self.may_sign_in_over(scheme, remote):
            raise SignInError(
                "signing in over plain HTTP works on this machine only; use https, "
                "or set trusted_network = true under [server] in the configuration"
            )

    def _check_pace(self, name: str, remote: str) -> None:
        now = self._clock()
        with self._store.read() as conn:
            wait = sign_in_pace.wait(conn, _name_key(name), remote, now)
            shown = _shown(conn, name) if wait else ""
        if wait:
            if self._refused.add(shown, remote, now, wait, looked=False):
                self._writer.submit(lambda conn: self._refused.write(conn, now), waiting=False)
            raise SignInError(f"too many tries; wait {max(1, round(wait / SECOND))} s and try again", wait)

    def _failed(self, name: str, remote: str, text: str) -> SignInError:
        now = self._clock()

        def job(conn: Connection) -> None:
            sign_in_pace.record(conn, _name_key(name), remote, now, good=False)
            self._refused.add(_shown(conn, name), remote, now, sign_in_pace.wait(conn, _name_key(name), remote, now))
            self._refused.write(conn, now)

        self._writer.submit(job).result()
        return SignInError(text)

    def look(self, conn: Connection, now: Instant) -> None:
        """Write down the refused tries that were counted since their last entry; called at every tick, on the writer's connection."""
        self._refused.write(conn, now)

    def _remembered(self, key: str, now: Instant) -> Who | object | None:
        at, who = self._seen.get(key, (0, None))
        return who if 0 <= now - at < _RECHECK and key in self._seen else _UNKNOWN

    def _remember(self, key: str, now: Instant, who: Who | None) -> Who | None:
        if len(self._seen) >= 500:  # wrong tokens must not grow the memory either
            self._seen.clear()
        self._seen[key] = (now, who)
        return who


def form_token(session_token: str) -> str:
    """The token that forms under this session must bring back; derived from it, so nothing is stored."""
    return hmac.new(session_token.encode(), b"form", hashlib.sha256).hexdigest()


_UNKNOWN = object()
_DECOY = "$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHRzb21lc2FsdA$" + "A" * 43


@cache
def _hasher() -> PasswordHasher:
    """Loaded by the first secret. 19 MiB, two passes, one lane: OWASP Password Storage Cheat Sheet's least for Argon2id (from memory),
    which a small board carries beside the service; RFC 9106's own choices want 64 MiB and more.
    """
    from argon2 import PasswordHasher

    return PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)


def _hash(secret: str) -> str:
    if not LEAST_SECRET <= len(secret) <= MOST_SECRET:
        raise InputError(f"secret has {len(secret)} characters; write {LEAST_SECRET} to {MOST_SECRET}")
    return _hasher().hash(secret)


def _code() -> str:
    return "".join(secrets.choice(_CODE_LETTERS) for _ in range(10))


def _sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _name_key(name: str) -> str:
    return " ".join(name.split()).casefold()


def _shown(conn: Connection, name: str) -> str:
    """The name as this person writes it; blank where nobody here is called so."""
    found: str | None = conn.scalar(select(person.c.name).where(person.c.name_key == _name_key(name), person.c.removed_at.is_(None)))
    return found or ""


def _person(conn: Connection, name: str) -> Mapping[str, object]:
    row = conn.execute(select(person).where(person.c.name_key == _name_key(name), person.c.removed_at.is_(None))).mappings().one_or_none()
    if row is None:
        raise NotFoundError(f'there is no person named "{name}"; `larderer user list` names them')
    return dict(row)
