"""What the API answers about recalls is as its description says."""

from __future__ import annotations

import json
from typing import Any, cast

import jsonschema_rs

from monitor.api.app import create_app, describe
from monitor.check_desk import ProbeCheck
from monitor.desk import Hand
from rules.quantity import fahrenheit

ODILE = Hand("Odile Marsh", "operator")


def test_preview_recall_and_list_are_as_described(plant) -> None:
    """A cooked lot whose probe read 2 °F too high: every field is there, of its type, and described."""
    nothing = cast(Any, None)
    made = describe(create_app(nothing, nothing, intake=nothing, export=nothing))

    def wrong(name: str, value: Any) -> list[str]:
        schema = {"$ref": f"#/components/schemas/{name}", "components": made["components"]}
        return [e.message for e in jsonschema_rs.Draft202012Validator(schema).iter_errors(json.loads(json.dumps(value)))]

    plant.cook("J-1")
    check = plant.desk.calibrate(ODILE, ProbeCheck("core-1", "ice-point", fahrenheit(34.0)))
    preview = plant.desk.recall_preview("core-1")
    done = plant.desk.recall(ODILE, "core-1")
    assert [one["now"] for one in preview["changes"]] == ["deviated"]
    assert wrong("CheckMade", check) == []
    assert wrong("RecallPreview", preview) == []
    assert wrong("RecallDone", done) == []
    assert wrong("RecallList", {"recalls": plant.desk.recalls(), "next": None}) == []
    assert wrong("LotShown", plant.desk.lot("J-1") | {"growth": plant.desk.growth("J-1")}) == []
    assert wrong("RecallDone", preview) != []
