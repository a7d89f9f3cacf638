"""What closes a deviation record: the answers that 9 CFR 417.3 asks for, and the sentences for those missing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Final

from monitor.errors import InputError

#: What can become of the product.
DISPOSITIONS: Final = ("released", "reworked", "recooked", "destroyed", "returned", "diverted")
_QUANTITY: Final = re.compile(r"^\s*(\d+(?:[.,]\d+)?)\s*(kg|g|lb|lbs|oz|pieces|links|packs|cases|racks|batches|batch)\b.*$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Closing:
    """The answers. `restored` says what was done to regain control, `reading` what was then measured and shows it.

    `disposition` is one of DISPOSITIONS, `reason` why the product may go that way, `quantity` a number with its unit.
    `acceptability`, `reassessment`, `trained` answer 417.3(b) and are asked only where the plan foresaw no action:
    what the review of the product found, whether the plan must change, and the trained person who judged that.
    """

    cause: str = ""
    removed: str = ""
    restored: str = ""
    reading: str = ""
    prevention: str = ""
    disposition: str = ""
    quantity: str = ""
    reason: str = ""
    acceptability: str = ""
    reassessment: str = ""
    trained: str = ""

    def as_json(self) -> dict[str, str]:
        """The answers as plain values."""
        return asdict(self)

    @classmethod
    def from_json(cls, values: Mapping[str, Any]) -> Closing:
        """Answers from a request or form; raises InputError for a key it does not know or a value that is no text."""
        known = [f.name for f in fields(cls)]
        for key, value in values.items():
            if key not in known:
                raise InputError(f'a closing has no "{str(key)[:40]}"; it has {", ".join(known)}')
            if not isinstance(value, str):
                raise InputError(f"{key} is {value!r}; write it as text")
        return cls(**{key: value.strip() for key, value in values.items()})


_ASKED: Final = (
    ("cause", "the cause is missing; write what made it happen (9 CFR 417.3(a)(1))"),
    ("removed", "how the cause was removed is missing; write what was done about it (9 CFR 417.3(a)(1))"),
    ("restored", "how control was restored is missing; write what was done (9 CFR 417.3(a)(2))"),
    (
        "reading",
        "the reading that shows control restored is missing; write probe or handheld, value with unit and time (9 CFR 417.3(a)(2))",
    ),
    ("prevention", "what prevents it from happening again is missing; write the measure (9 CFR 417.3(a)(3))"),
    ("reason", "why the product may go that way is missing; write what it rests on (9 CFR 417.3(a)(4))"),
)
_ASKED_UNFORESEEN: Final = (
    ("acceptability", "the plan foresaw no action here, so write what the review of the product found (9 CFR 417.3(b)(2))"),
    ("reassessment", "the plan foresaw no action here, so write whether the plan must change (9 CFR 417.3(b)(4))"),
    ("trained", "the plan foresaw no action here, so name the person trained under 9 CFR 417.7 who judged that (417.3(b)(4))"),
)


def missing_from(closing: Closing, unforeseen: bool) -> list[str]:
    """One sentence for each thing that the answers lack; none: they are whole."""
    answers = closing.as_json()
    missing = [sentence for name, sentence in _ASKED if not answers[name].strip()]
    if closing.reading.strip() and not re.search(r"\d", closing.reading):
        missing.append(
            f'the reading that shows control restored is "{closing.reading.strip()[:40]}"; write what it read, with its unit, and when '
            "(9 CFR 417.3(a)(2))"
        )
    if closing.disposition not in DISPOSITIONS:
        said = f'disposition is "{closing.disposition[:40]}"' if closing.disposition.strip() else "what became of the product is missing"
        missing.append(f"{said}; write one of {', '.join(DISPOSITIONS)} (9 CFR 417.3(a)(4))")
    if _QUANTITY.match(closing.quantity) is None:
        said = f'quantity is "{closing.quantity[:40]}"' if closing.quantity.strip() else "the quantity of product is missing"
        missing.append(f"{said}; write a number with its unit, such as 42 kg or 120 links (9 CFR 417.3(a)(4))")
    if unforeseen:
        missing += [sentence for name, sentence in _ASKED_UNFORESEEN if not answers[name].strip()]
    return missing
