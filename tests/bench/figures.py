"""What a bench found, and how it is said."""

from __future__ import annotations

import os
import platform
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Figure:
    """One measured thing against its aim. `ratio` is what is compared with `aim`: smaller is better for both."""

    what: str
    measured: str
    ratio: float | None = None
    aim: float | None = None
    unit: str = "times"

    @property
    def verdict(self) -> str:
        """Whether the aim was reached; nothing is asserted."""
        if self.aim is None or self.ratio is None:
            return "no aim stated"
        return "met" if self.ratio <= self.aim else "not met"

    def row(self) -> str:
        """A row of the table in DEVELOPERS.md."""
        ratio = "" if self.ratio is None else f"{self.ratio:{'.0f' if self.ratio >= 100 else '.3g'}} {self.unit}"
        aim = "" if self.aim is None else f"at most {self.aim:g} {self.unit}"
        return f"| {self.what} | {self.measured} | {ratio} | {aim} | {self.verdict} |"


HEAD = "| what | measured | ratio or figure | aim | |\n|---|---|---|---|---|"


def machine() -> str:
    """Date and machine, as they belong above a table of figures."""
    model = platform.machine()
    load = os.getloadavg()[0]
    cores = os.cpu_count()
    return f"{time.strftime('%Y-%m-%d')}, {cores} cores ({model}), Python {platform.python_version()}, load before the run {load:.1f}"


def cpu_s(pid: int | str = "self") -> float:
    """Seconds of processor time that a process has used (proc(5), utime and stime)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def children(pid: int | str = "self") -> set[int]:
    """The processes that one has started, by any of its threads, and that live (proc(5), children)."""
    found: set[int] = set()
    for task in Path(f"/proc/{pid}/task").iterdir():
        with suppress(OSError):  # a thread that has just ended; what it started is another one's now
            found.update(map(int, (task / "children").read_text(encoding="ascii").split()))
    return found


def written_bytes(pid: int | str = "self") -> tuple[int, int]:
    """What a process has written: bytes handed to the system, and bytes that go to the device, in whole pages (proc(5), io)."""
    told = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text(encoding="ascii").splitlines())
    return int(told["wchar"]), int(told["write_bytes"])


def percentile(values: list[float], share: float) -> float:
    """The value that `share` of the values do not exceed (nearest rank)."""
    ordered = sorted(values)
    return ordered[max(0, -(-round(share * 1000) * len(ordered) // 1000) - 1)]
