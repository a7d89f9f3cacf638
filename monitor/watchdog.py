"""Telling systemd that the service is ready and alive (sd_notify(3)); without systemd, nothing."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import cast


def notifier() -> Callable[[str], None]:
    """A function that sends one state line, such as "READY=1"."""
    if not os.environ.get("NOTIFY_SOCKET"):
        return lambda _line: None
    import sdnotify

    return cast(Callable[[str], None], sdnotify.SystemdNotifier().notify)  # type: ignore[no-untyped-call]  # ships no types
