"""Who did what stays on record, and what the threat model says of tests is so."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from monitor import ledger

ROOT = Path(__file__).resolve().parents[3]


def test_every_kind_of_entry_names_its_author_in_the_ledger(site):
    """Each change through the API adds an entry by the person whose session it was; refused ones and reading add none."""
    steps = [
        ("POST", "/api/v1/lots", {"product": "juniper-links", "lot": "J-1"}),
        ("POST", "/api/v1/lots/J-1/placements", {"probe": "core-1"}),
        ("POST", "/api/v1/lots/J-1/measures", {"name": "pH", "value": "5.2"}),
        ("POST", "/api/v1/lots/J-1/checks", {"place": "core", "value": "33.5 °F"}),
        ("POST", "/api/v1/alarms/A1/acknowledge", {"comment": "Going there."}),
        ("POST", "/api/v1/deviations", {"text": "A rack on the floor."}),
        ("POST", "/api/v1/deviations/D1/actions", {"text": "Moved it."}),
        ("POST", "/api/v1/calibrations", {"probe": "core-2", "method": "ice-point", "indicated": "32.4 °F"}),
        ("POST", "/api/v1/lots/J-1/steps", {"step": "rest"}),
        ("POST", "/api/v1/lots/J-1/end", {}),
    ]

    def tail(since: int) -> list[ledger.Entry]:
        with site.store.read() as conn:
            return list(ledger.entries(conn, since))

    async def run() -> dict[str, list[str]]:
        client = await site.signed_in("operator")
        authors = {}
        for method, path, body in steps:
            site.clock.pass_(1_000_000)
            if "/alarms/" in path:
                site.read("core-1", 60.0)
            before = tail(0)[-1].seq
            answer = await client.request(method, path, json=body)
            assert answer.status_code in (200, 201), (path, answer.text)
            authors[path] = [entry.by for entry in tail(before)]
        before = tail(0)[-1].seq
        for path in ("/api/v1/lots", "/api/v1/lots/J-1", "/api/v1/alarms", "/api/v1/deviations"):
            await client.get(path)
        refused = await client.post("/api/v1/lots", json={"product": "nothing-known"})
        assert refused.status_code >= 400
        assert tail(before) == []
        return authors

    for path, names in asyncio.run(run()).items():
        assert "Odile Marsh" in names, path


def test_threat_model_names_tests_that_exist():
    """Each row that is met names a test of this tree; a row without one says what is not met."""
    text = (ROOT / "docs" / "threat-model.md").read_text(encoding="utf-8")
    have = {
        name for file in (ROOT / "tests").rglob("test_*.py") for name in re.findall(r"def (test_\w+)", file.read_text(encoding="utf-8"))
    }
    named = set(re.findall(r"`(test_\w+)`", text))
    assert len(named) > 25
    assert named - have == set()
    rows = [line.split("|") for line in text.partition("## Held against")[2].splitlines() if line.startswith("| ")][1:]
    assert rows
    for row in rows:
        assert "`test_" in row[4] or "**not met**" in row[3], row
