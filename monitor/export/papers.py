"""The papers of a lot in the day's PDF: what was received for it, what holds it, and its release."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.charts.lot_chart import instant
from monitor.export.sheet import Sheet
from monitor.export.story import Story
from monitor.export.wording import Clock


def lot_papers(sheet: Sheet, story: Story, lot: Mapping[str, Any]) -> None:
    """Lay out the receipts of a lot, and how its hold and release stood when this was made."""
    name = lot["lot"]
    receipts = [e for e in story.of_kind("receipt") if e["body"].get("lot") == name]
    if receipts:
        sheet.heading("Received for this lot", 11)
        heads = ("When", "What", "Supplier", "Supplier's lot", "Temperature", "kg", "By", "Remarks")
        sheet.grid(heads, _receipt_rows(receipts, story.clock), (16, 14, 16, 12, 11, 8, 13, 22), size=7.5)
    sheet.heading("Hold and release", 11)
    sheet.points(standing(story, lot), size=9)


def _receipt_rows(receipts: Sequence[Mapping[str, Any]], clock: Clock) -> list[Sequence[str]]:
    withdrawn = {e["body"]["receipt"]: e for e in receipts if e["body"]["what"] == "withdrawn"}
    rows: list[Sequence[str]] = []
    for entry in receipts:
        body = entry["body"]
        if body["what"] == "withdrawn":
            continue
        remarks = [body["text"]] if body["text"] else []
        if body["what"] == "refused":
            remarks.insert(0, "NOT ACCEPTED")
        if entry["entered_at"] != entry["at"]:
            remarks.append(f"entered {clock(entry['entered_at'])}")
        if gone := withdrawn.get(entry["seq"]):
            remarks.append(f"TAKEN BACK by {gone['by']}, {clock(gone['at'])}: {gone['body']['text']}")
        facts = (body["material"], body["supplier"], body["supplier_lot"], body["temperature"], body["weight_kg"])
        rows.append((clock(entry["at"]), *facts, entry["by"], "; ".join(remarks)))
    return rows


def standing(story: Story, lot: Mapping[str, Any]) -> list[str]:
    """What holds a lot and who released it, in sentences, as far as this export's records go."""
    name, said = lot["lot"], []
    opened = {str(e["body"]["deviation"]): e for e in story.of_kind("deviation") if e["body"].get("what") == "opened"}
    closed = {str(e["body"]["deviation"]) for e in story.of_kind("deviation") if e["body"].get("what") == "closed"}
    told = story.of_kind("deviation")
    about = {str(e["body"]["deviation"]) for e in told if name in (e["body"].get("lot"), *e["body"].get("affected", ()))}
    mine = {number: e for number, e in opened.items() if number in about}
    said += [f"ON HOLD: deviation {number} is not closed." for number in mine if number not in closed]
    signed = [e for e in story.of_kind("release") if e["body"].get("lot") == name]
    for entry in signed:
        body = entry["body"]
        own = " The reviewer also made records of this lot." if body.get("own_records") else ""
        words = f' "{body["text"]}"' if body.get("text") else ""
        said.append(f"Released by {entry['by']} on {story.clock(entry['at'])}.{words}{own}")
    if signed:
        since = [n for n, e in mine.items() if (instant(e["at"]) or 0) > (instant(signed[-1]["at"]) or 0)]
        said += [f"Deviation {number} was opened after the release, which does not stand for it." for number in since]
    else:
        said.append("Not released when this was made." if lot.get("ended") else "Not released: the lot has not ended.")
    return said
