"""What a page says without its tags, and answers that a deviation's form may be given."""

import html
import re
from typing import Any

ANSWERS = {
    "cause": "The door stood open.",
    "removed": "Door closed, latch mended.",
    "restored": "Moved into the coldest cooler.",
    "reading": "core-3, 36.5 °F at 10:50",
    "prevention": "Latch looked at each morning.",
    "disposition": "released",
    "quantity": "42 kg",
    "reason": "Evaluated by its curve.",
}


def text_of(page: Any) -> str:
    """The page's words with single spaces."""
    plain = re.sub(r"<[^>]+>", " ", re.sub(r"<(script|style|title).*?</\1>", " ", page.text, flags=re.DOTALL))
    return re.sub(r"\s+", " ", html.unescape(plain))
