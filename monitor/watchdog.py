"""Telling systemd that the service is ready and alive (sd_notify(3)); without systemd, nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

import sdnotify


def notifier() -> Callable[[str], None]:
    """A function that sends one state line, such as "READY=1"."""
    return cast(Callable[[str], None], sdnotify.SystemdNotifier().notify)  # type: ignore[no-untyped-call]  # ships no types
