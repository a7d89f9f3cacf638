"""The soak, a command of its own: `python -m tests.soak`, thirty simulated days of faults on the real service; `--days 1` for a quick one.

The service runs in a process of its own with the clock of the story, on its real store, with a telephone at each bell, a
driver that hands the readings over, people who enter, acknowledge and answer, an export each midnight. In the first half of the story
processes are killed and restarted; the second half is one process's life but for a last kill, after which the start is timed. Ends by
itself; 0 where every verdict is repeated and nothing grew, 1 where not.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.bench.figures import machine
from tests.soak import again
from tests.soak.seen import Seen, grew, in_words, stored
from tests.soak.site import REPORT
from tests.soak.story import DAY_MIN

ROOT = Path(__file__).resolve().parent.parent.parent


def live(folder: Path, minutes: int, every_s: int, say: Callable[[str], None]) -> Seen:
    """Run the whole story, life after life."""
    seen, begun = Seen(minutes, every_s), time.monotonic()
    half, last = minutes // 2, minutes - 1
    stops = [minutes - 10, minutes] if minutes > 30 else [minutes]
    first = 0
    while first <= last:
        stop = next(s for s in stops if s > first)
        end = life(folder, (minutes, every_s, 0, half, first, stop), seen, say)
        if stop != minutes and end == stop - 1:
            say("soak: the power goes; the next start is timed")
        first = end + 1
        if first <= half + 60:
            seen.long = (first // 60 + 1, (minutes - 10) // 60)
    seen.seconds = time.monotonic() - begun
    return seen


def life(folder: Path, story: tuple[int, ...], seen: Seen, say: Callable[[str], None]) -> int:
    """One process's life; the last minute that is durable."""
    command = [sys.executable, "-m", "tests.soak.child", str(folder), *map(str, story)]
    done, killed_for_power = story[4] - 1, story[5] != story[0]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)}) as process:
        assert process.stdout is not None
        newest: dict[str, Any] = {}
        for line in process.stdout:
            told = json.loads(line)
            if "started_s" in told:
                seen.lives.append(told)
                continue
            newest = told
            if "done" in told:
                done = told["done"]
                if killed_for_power and done == story[5] - 1:
                    process.kill()
                    break
            elif "hour" in told:
                seen.hour(told)
                if told["hour"] % 24 == 23:
                    say(f"soak: {seen.day_in_words(told)}; {time.strftime('%H:%M:%S')}")
            elif "end" in told:
                seen.now = told["now"]
        process.stdout.close()
        code = process.wait(60)
    if code not in (0, -9):
        raise RuntimeError(f"the service ended with {code} after minute {done} of the story")
    seen.life_is_over(newest)
    return int(done)


def run(folder: Path, days: float, every_s: int, say: Callable[[str], None]) -> tuple[list[str], list[str]]:
    """The soak; its lines for people, and a sentence for each thing that is wrong."""
    seen = live(folder, round(days * DAY_MIN), every_s, say)
    report = json.loads((folder / REPORT).read_text(encoding="utf-8"))
    say("soak: judging again from the store")
    begun = time.process_time()
    compared, wrong = again.differences(folder / "data" / "larderer.sqlite", report, seen.now)
    again_s = time.process_time() - begun
    say("soak: judging again from the exported files")
    exported, differing = again.exports(folder / "data" / "exports" / "ferncliff")
    held = stored(folder / "data" / "larderer.sqlite", seen.now)
    verdicts = (
        f"verdicts: {compared:,} held against a clean replay of the stored rows ({again_s:.0f} s of processor time), {len(wrong)} differ; "
        f"{exported} exported days judged again from their files, {len(differing)} differ"
    )
    lines, growth, open_ = in_words(seen, held, report), grew(seen), held.overdue
    return [lines[0], verdicts, *lines[1:]], [*wrong, *differing, *growth, *open_, *sorted(seen.whole)]


def main(arguments: list[str]) -> int:
    """Run it and print what it found."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--days", type=float, default=30.0, help="simulated days (default 30)")
    parser.add_argument("--every", type=int, default=10, metavar="SECONDS", help="a reading of each probe so often (default 10)")
    parser.add_argument("--folder", type=Path, help="keep everything there (default: a temporary folder, deleted)")
    given = parser.parse_args(arguments)

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    about = machine()
    with tempfile.TemporaryDirectory() as temporary:
        lines, wrong = run(given.folder or Path(temporary), given.days, given.every, say)
    print("\n".join([about, "", *lines, "", *(f"WRONG: {one}" for one in wrong[:50])]))
    print("soak: not as it should be" if wrong else "soak: as it should be")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
