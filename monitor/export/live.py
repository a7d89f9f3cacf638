"""Whether judging the exported files repeats what was found while the day ran.

Two witnesses: the service's own report of this moment, where it is given, and the findings in the ledger. Only what can
no longer change is held against them: lots that ended by the day's end whole, of open lots every deviation.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, NamedTuple

from sqlalchemy import Connection

from monitor import chain, ledger
from rules.quantity import format_instant, parse_instant
from rules.reading import Instant


class WatchKey(NamedTuple):
    """Names one watch of one lot."""

    lot: str
    step: str
    limit: str
    probe: str

    def words(self) -> str:
        """The watch for a sentence."""
        return f"lot {self.lot}, {self.step}, {self.limit}" + (f", probe {self.probe}" if self.probe else "")


class Found(NamedTuple):
    """A watch's verdict and the instant it is dated."""

    verdict: str
    at: str | None


#: What a correction speaks for.
CORRECTED = Found("corrected", None)


def found_live(conn: Connection, lots: Collection[str], after_seq: int = 0) -> dict[WatchKey, Found]:
    """The newest verdict that the ledger holds, after place `after_seq`, for each watch of these lots.

    Watches named by a correction are marked so: it says itself what changed, so the finding before it is no witness any more.
    """
    newest: dict[WatchKey, Found] = {}
    wanted = set(lots)
    for entry in ledger.entries(conn, after_seq, kind="finding"):
        body = entry.body
        if body.get("lot") in wanted and body.get("what") in ("met", "deviated", "unproven"):
            newest[_key(body)] = Found(str(body["what"]), _instant_text(body.get("at", entry.at)))
    for entry in ledger.entries(conn, after_seq, kind="correction"):
        if entry.body.get("lot") in wanted:
            newest[_key(entry.body)] = CORRECTED
    return newest


def differences(
    report: Mapping[str, Any],
    found: Mapping[WatchKey, Found],
    live: Mapping[str, Any] | None,
    ended: Collection[str],
    until: Instant,
    let_go: Instant = -1,
) -> list[str]:
    """Sentences on what the recomputed report and the live findings do not agree on; empty where they do.

    `ended` are the lots that had ended by `until`, the day's end. Those that ended by `let_go` the service need not know any more.
    """
    said = list(dict.fromkeys(_against_ledger(report, found, set(ended), until)))
    if live is not None:
        said += _against_report(report, live, set(ended), until, let_go)
    return said


def _against_ledger(report: Mapping[str, Any], found: Mapping[WatchKey, Found], ended: set[str], until: Instant) -> Iterator[str]:
    judged: dict[WatchKey, list[Found]] = {}
    for key, one in watches(report):
        judged.setdefault(key, []).append(one)
    served = {key._replace(probe="") for key in judged if key.probe}
    for key, live in found.items():
        if live is CORRECTED or (live.verdict != "deviated" and key.lot not in ended):
            continue
        if key in served:  # no probe had served it when the step was left, and one did when the lot came back to it
            continue
        if live.at is not None and parse_instant(live.at) > until:
            continue
        # A probe placed again has a watch of its own for each time; what was told last may be of an earlier one that was closed late.
        now = judged.get(key, [])
        # The reason of a doubt may move to an earlier instant without being told again; a deviation's instant is final.
        if not any(one.verdict == live.verdict and (live.verdict != "deviated" or one.at == live.at) for one in now):
            yield f"{key.words()}: found {_words(live)} while it ran, judged {_words(now[-1] if now else None)} from the files."
    with_findings = {key.lot for key in found}
    for key, now in judged.items():
        deviated = next((one for one in now if one.verdict == "deviated"), None)
        if deviated is not None and key.lot in with_findings and key not in found:
            yield f"{key.words()}: judged {_words(deviated)} from the files, but no such finding was recorded while it ran."


def _against_report(report: Mapping[str, Any], live: Mapping[str, Any], ended: set[str], until: Instant, let_go: Instant) -> Iterator[str]:
    ours = {lot["lot"]: lot for lot in report["lots"]}
    theirs = {lot["lot"]: lot for lot in live["lots"]}
    for lot, mine in ours.items():
        if lot not in theirs:
            if lot in ended and mine.get("ended") and parse_instant(str(mine["ended"])) <= let_go:
                continue
            yield f"lot {lot} is in the files, but the running service does not know it."
        elif lot not in ended:
            running, now = dict(watches({"lots": [theirs[lot]]})), dict(watches({"lots": [mine]}))
            for key in {**now, **running}:
                if _deviation(now.get(key), until) != _deviation(running.get(key), until):
                    files, service = _words(now.get(key)), _words(running.get(key))
                    yield f"{key.words()}: judged {files} from the files, the running service says {service}."
        elif chain.canonical(_judged(mine)) != chain.canonical(_judged(theirs[lot])):
            yield from _lot_differences(lot, mine, theirs[lot])


def _judged(lot: Mapping[str, Any]) -> dict[str, Any]:
    """A lot without the predictions of growth, which are made from the files and decide nothing."""
    return {**lot, "limits": [{k: v for k, v in limit.items() if k != "growth"} for limit in lot.get("limits", ())]}


def _deviation(found: Found | None, until: Instant) -> Found | None:
    """The deviation, if it is one dated up to `until`; nothing else is final in an open lot."""
    final = found is not None and found.verdict == "deviated" and found.at is not None and parse_instant(found.at) <= until
    return found if final else None


def _lot_differences(lot: str, ours: Mapping[str, Any], theirs: Mapping[str, Any]) -> Iterator[str]:
    mine, live = dict(watches({"lots": [ours]})), dict(watches({"lots": [theirs]}))
    named = False
    for key in {**mine, **live}:
        if mine.get(key) != live.get(key):
            named = True
            yield f"{key.words()}: judged {_words(mine.get(key))} from the files, the running service says {_words(live.get(key))}."
    if not named:
        yield f"lot {lot}: the verdicts agree, but margins, reasons or evidence differ between the files and the running service."


def watches(report: Mapping[str, Any]) -> Iterator[tuple[WatchKey, Found]]:
    """Every watch of a report with its verdict; a limit that no probe came to serve has its own, under no probe's name, as it was found."""
    for lot in report["lots"]:
        for limit in lot.get("limits", ()):
            for watch in limit.get("watches", ()) or ({"verdict": limit["verdict"]},):
                key = WatchKey(str(lot["lot"]), str(limit["step"]), str(limit["limit"]), str(watch.get("probe", "")))
                yield key, Found(str(watch["verdict"]), _instant_text(watch.get("at")))


def _key(body: Mapping[str, Any]) -> WatchKey:
    return WatchKey(*(str(body.get(name, "")) for name in ("lot", "step", "limit", "probe")))


def _instant_text(at: object) -> str | None:
    return format_instant(at) if isinstance(at, int) else None if at is None else str(at)


def _words(found: Found | None) -> str:
    if found is None:
        return "nothing"
    return found.verdict + (f" at {found.at}" if found.at else "")
