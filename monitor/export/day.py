"""One local day as a folder: written aside, checked against what was found live, signed, and put in place in one move.

An export is never overwritten. A day that has changed since (a late reading, a back-dated entry, a review) is written
as a new revision beside the first: `2026-03-02`, then `2026-03-02-r2`.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from monitor import chain
from monitor.days import day_span
from monitor.errors import ExportError, ExportMismatch
from monitor.export import extract, seals, verify
from monitor.export.about import About
from monitor.export.judged import Judge, judged, plan_name
from monitor.export.live import differences, found_live
from monitor.export.story import Colophon, tell
from monitor.judge import canonical, judge_files
from monitor.judging import KEEP_LOTS
from monitor.keys import SiteKey
from monitor.provisional import unsettled
from monitor.store import plans
from monitor.store.database import Store
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import format_instant
from rules.reading import HOUR, Instant

Progress = Callable[[str, int], None]
FOREVER: Instant = 2**62


@dataclass(frozen=True, slots=True)
class Exported:
    """Where a day stands. `new` is False where nothing had changed since the revision named."""

    path: Path
    revision: int
    new: bool


def quiet(_what: str, _count: int) -> None:
    """Progress for nobody."""


def export_day(
    store: Store,
    day: str,
    out: Path,
    key: SiteKey,
    *,
    now: Instant,
    judge: Judge = judge_files,
    live: Mapping[str, Any] | None = None,
    program: str = "",
    progress: Progress = quiet,
) -> Exported:
    """Export the local day `day` (YYYY-MM-DD) under `out`/<site id>/ and return where it stands.

    `live` is the running service's report (Judge JSON) of this moment, to be held against the files.

    Raises ExportMismatch, with the folder in place, where judging the files does not repeat what was found live;
    ExportError where the day cannot be exported, InputError where `day` is no date.
    """
    with store.read() as conn:
        newest = plans.in_force(conn, FOREVER)
        if newest is None:
            raise ExportError("no plan was ever in force here; run the service once with its plan")
        site = load_plan(newest.text).site
        since, until = day_span(day, site.zone)
        span = extract.window(conn, day, since, until)
        home = out / site.id
        home.mkdir(parents=True, exist_ok=True)
        with _aside(home, day) as folder:
            loaded = [load_plan(version.text) for version in span.plans]
            known = {probe.id for plan in loaded for probe in plan.probes}
            humidity = {probe.id for plan in loaded for probe in plan.probes if probe.place == "humidity"}
            _write_plans(folder, span)
            arrivals = extract.write_readings(conn, folder, span, known, progress, humidity)
            events = extract.lot_events(conn, span, span.lots)
            extract.write_lot_events(folder / "events.csv", events)
            part = extract.write_ledger(conn, folder / "ledger.jsonl", span.after)
            _write_json(folder / "seals.json", seals.seals_of(conn, arrivals.seqs, part.seals))
            found = found_live(conn, span.lots, part.first - 1)
            progress("judging", sum(len(s) for s in arrivals.seqs.values()))
            report = judged(folder, span, loaded, judge)
            (folder / "lots.json").write_text(canonical(report), encoding="utf-8", newline="\n")
            owed, ended = unsettled(conn), extract.ended_by(events, until)
            # What is being judged anew is in the files already; its corrections make the next revision, which is held against them.
            # An hour more, since the engine lets go now and then only.
            problems = [] if owed else differences(report, found, live, ended, until, now - KEEP_LOTS + HOUR)
            manifest = {
                "format": verify.FORMAT,
                "site": {"id": site.id, "name": site.name, "timezone": site.timezone},
                "day": day,
                "begins": format_instant(since),
                "ends": format_instant(until),
                "readings_from": format_instant(span.after + 1),
                "made_at": format_instant(now),
                "day_over": not since <= now < until,
                "program": program,
                "plans": [
                    {"file": plan_name(i, len(span.plans)), "sha256": v.sha256, "since": format_instant(v.since), "lots": span.lots_of[i]}
                    for i, v in enumerate(span.plans)
                ],
                "ledger": {"before": part.before, "first": part.first, "last": part.last, "head": part.head},
                "problems": problems,
                "being_judged": owed,
                "key": key.public,
            }
            checks = extract.calibration_checks(conn, known, until)
            return _finish(folder, home, manifest, key=key, span=span, loaded=loaded, report=report, checks=checks, progress=progress)


def revisions(home: Path, day: str) -> list[Path]:
    """The folders of a day that are there, oldest revision first."""
    found = [(1, home / day)] if (home / day).is_dir() else []
    for path in home.glob(f"{day}-r*"):
        number = path.name.removeprefix(f"{day}-r")
        if number.isdigit() and path.is_dir():
            found.append((int(number), path))
    return [path for _, path in sorted(found)]


def _finish(
    folder: Path,
    home: Path,
    manifest: dict[str, Any],
    *,
    key: SiteKey,
    span: extract.Window,
    loaded: Sequence[Plan],
    report: Mapping[str, Any],
    checks: Mapping[str, Mapping[str, Any]],
    progress: Progress,
) -> Exported:
    """Compare with the newest revision; where something has changed write the PDF and the manifest and move the folder into place."""
    before = revisions(home, span.day)
    last = _manifest_of(before[-1]) if before else None
    manifest["revision"] = int(last["revision"]) + 1 if last else 1
    manifest["about_day"] = _about_day(folder, span)
    manifest["files"] = {p.name: verify.file_hash(p) for p in sorted(folder.iterdir())}
    manifest["replaces"] = verify.file_hash(before[-1] / "manifest.json") if before else None
    manifest["changed"] = _changed(last, manifest) if last else []
    if last and not manifest["changed"]:
        if last["problems"]:
            raise ExportMismatch(_mismatch(before[-1], last["problems"]))
        return Exported(before[-1], int(last["revision"]), new=False)
    progress("day.pdf", 0)
    from monitor.export.pdf import write_pdf  # fpdf2 is loaded where a day is written, and nowhere else

    colophon = Colophon(
        day=span.day, since=span.since, until=span.until, revision=manifest["revision"], made_at=manifest["made_at"],
        head=manifest["ledger"]["head"], key=key.public, fingerprint=key.fingerprint, program=manifest["program"],
        problems=manifest["problems"], being_judged=manifest["being_judged"], changed=manifest["changed"], checks=checks,
        day_over=manifest["day_over"],
    )  # fmt: skip
    about = About(span.day, span.since, span.until, span.lots)
    write_pdf(folder / "day.pdf", tell(folder, list(zip(loaded, span.lots_of, strict=True)), report, colophon, about))
    shutil.copyfile(verify.__file__, folder / "verify.py")
    manifest["files"] = {p.name: verify.file_hash(p) for p in sorted(folder.iterdir())}
    manifest["signature"] = key.sign(verify.signed_bytes(manifest))
    (folder / "manifest.json").write_bytes(verify.manifest_bytes(manifest))
    target = home / (span.day if manifest["revision"] == 1 else f"{span.day}-r{manifest['revision']}")
    _put_in_place(folder, target)
    if manifest["problems"]:
        raise ExportMismatch(_mismatch(target, manifest["problems"]))
    return Exported(target, manifest["revision"], new=True)


def _mismatch(path: Path, problems: Sequence[str]) -> str:
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return f"{path}: judging the exported files does not repeat what was found live: {problems[0]}{more}; keep both and report it"


def _write_plans(folder: Path, span: extract.Window) -> None:
    for i, version in enumerate(span.plans):
        (folder / plan_name(i, len(span.plans))).write_bytes(version.text.encode("utf-8"))


def _about_day(folder: Path, span: extract.Window) -> list[str]:
    """The hashes of the ledger's entries that concern this day; a new one makes a new revision."""
    about = About(span.day, span.since, span.until, span.lots)
    with (folder / "ledger.jsonl").open(encoding="utf-8") as lines:
        return [str(entry["hash"]) for line in lines if about(entry := json.loads(line))]


def _changed(last: Mapping[str, Any], manifest: Mapping[str, Any]) -> list[str]:
    """What is different from the revision before, in sentences; the ledger's growth by other days is no change."""
    said = []
    own = {n for m in (last, manifest) for n in m["files"]} - {"day.pdf", "verify.py", "ledger.jsonl", "seals.json"}
    for name in sorted(own):
        old, new = last["files"].get(name), manifest["files"].get(name)
        if old != new:
            said.append(f"{name} {'is new' if old is None else 'is gone' if new is None else 'has changed'}.")
    added = [h for h in manifest["about_day"] if h not in set(last["about_day"])]
    if added:
        count = "1 record" if len(added) == 1 else f"{len(added)} records"
        said.append(f"{count} about this day came into the ledger.")
    if last["day_over"] != manifest["day_over"]:
        said.append("The day is over now; it was not when the revision before was made.")
    if last.get("being_judged", "") != manifest["being_judged"]:
        said.append("Late readings are being judged anew." if manifest["being_judged"] else "Late readings have been judged anew.")
    if last["problems"] != manifest["problems"]:
        said.append("What judging the files repeats, and what not, has changed.")
    return said


def _manifest_of(folder: Path) -> dict[str, Any]:
    try:
        return dict(json.loads((folder / "manifest.json").read_bytes()))
    except (OSError, ValueError) as error:
        raise ExportError(f"{folder}: the earlier export cannot be read ({error}); move it elsewhere and export the day again") from error


def _write_json(path: Path, value: object) -> None:
    path.write_bytes(chain.canonical(value) + b"\n")


@contextmanager
def _aside(home: Path, day: str) -> Iterator[Path]:
    """A folder beside the exports that nobody takes for one; what a crash left of earlier ones is cleared away."""
    for old in home.glob(f".{day}.*.part"):
        owner = old.name.split(".")[-3]
        if not owner.isdigit() or not alive(int(owner)):
            shutil.rmtree(old, ignore_errors=True)
    folder = Path(mkdtemp(prefix=f".{day}.{os.getpid()}.", suffix=".part", dir=home))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def alive(pid: int) -> bool:
    """Whether there is such a process."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _put_in_place(folder: Path, target: Path) -> None:
    """Every file on the disk, then the name: a power cut leaves the whole export or none."""
    for path in folder.iterdir():
        _sync(path)
    _sync(folder)
    if target.exists():
        raise ExportError(f"{target} has just been made by somebody else; nothing was overwritten, export the day again")
    try:
        os.rename(folder, target)
    except OSError as error:
        raise ExportError(f"{target}: {error.strerror}; nothing was overwritten, export the day again") from error
    _sync(target.parent)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
