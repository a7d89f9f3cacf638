"""The real service in a process of its own, to be killed: run by `test_power_loss.py`. Argument: the configuration file.

Its clock is told on standard input, an instant a line, so that the story may run faster than life; each line is
answered with `ok`. What it listens on is printed first.
"""

import sys
import threading
from pathlib import Path

from monitor import people
from monitor.config import load_config
from monitor.demo.story import StoryClock
from monitor.service import Service


def main(config: str, start: str, token: str) -> None:
    """Serve until killed, or until standard input ends."""
    clock = StoryClock(int(start))
    service = Service(load_config(config, check_bells=False), clock=clock, tick_s=0.25, exports=False)
    service.start()

    def let_in(conn: object) -> None:
        for name in ("Odile Marsh", "Tam Okafor"):
            people.set_secret(conn, name, "juniper-9", clock())  # type: ignore[arg-type]

    if not Path(token).exists():
        service.writer.submit(let_in).result()
        made = service.writer.submit(lambda conn: people.add_device(conn, "gateway", "probe", clock())).result()
        Path(token).write_text(made, encoding="utf-8")
    page = threading.Thread(target=service.run_server, daemon=True)
    page.start()
    while not service.answering:
        page.join(0.01)
    print(service.url(), flush=True)
    for line in sys.stdin:
        clock.move(int(line))
        print("ok", flush=True)
    service.stop()
    page.join()


if __name__ == "__main__":
    main(*sys.argv[1:])
