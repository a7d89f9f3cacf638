"""The command `larderer run`: the service until it is told to stop."""

from __future__ import annotations

import gc
import logging
import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from monitor.config_load import Loader
from monitor.log import log_to
from monitor.memory import keep_little, load_little


def log_to_stderr(level: int = logging.INFO) -> None:
    """One line an event, with time, for the journal."""
    log_to(sys.stderr, level)


def spare_what_stands() -> None:
    """Have collections pass over what stands now: it stands for months, and walking it holds up a bell by a tenth of a second.

    That is the whole process's affair, so the command does it and not the service, which tests start by the dozen.
    """
    gc.collect()
    gc.freeze()
    # A batch of readings is thousands of tuples that die with it; CPython's own 700 has the young looked through ten times for each.
    gc.set_threshold(20_000, 10, 10)


def run_service(config: Path) -> int:
    """Run until SIGTERM or Ctrl-C; 0 when it ended cleanly."""
    keep_little()
    load_little()
    log_to_stderr()
    with ThreadPoolExecutor(1, "configuration") as beside:
        # A bell's address is read by Apprise in a child, which takes as long to load as the service does: both at once.
        reading = beside.submit(Loader(config).load, check_bells=True)
        from monitor.service import Service

        service = Service(reading.result())
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.stop())
    service.bind()
    service.start()
    code = service.people.first_run_code()
    where = service.url()
    if code:
        print(f"Nobody can sign in yet. Open {where}first-run on this machine and enter the code {code}", file=sys.stderr)
    print(f"Larderer watches {service.plan.site.name}: {where}", file=sys.stderr)
    # Without the engine: what collections pass over is never found again once it has been replaced, and late readings replace it.
    service.run_server(lambda: service.without_engine(spare_what_stands))
    return 0
