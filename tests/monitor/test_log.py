"""The log: a line an event, whatever is in it."""

import asyncio
import io
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.config import load_config
from monitor.log import get_logger, log_to
from monitor.web import Web
from tests.ferncliff import COOLER, SITE


@pytest.fixture
def told() -> Iterator[io.StringIO]:
    """What is written, with the process's logging as it was afterwards."""
    loggers = [logging.getLogger(name) for name in ("", "monitor", "probes")]
    before = [(one, one.level, list(one.handlers)) for one in loggers]
    stream = io.StringIO()
    log_to(stream)
    yield stream
    for one, level, handlers in before:
        one.setLevel(level)
        one.handlers[:] = handlers


def test_an_event_is_one_line_of_keys_and_values(told: io.StringIO) -> None:
    """Time in UTC, level and event first; what has a blank in it is quoted, and so is what would end the line."""
    get_logger("monitor.test").info("source", source="usb", connected=True, seconds=2.5, text='it said "no"\nand went', nothing=None)
    stamp, rest = told.getvalue().split(" ", maxsplit=1)
    assert stamp.startswith("timestamp=2")
    assert stamp.endswith("Z")
    assert rest == 'level=info event=source source=usb connected=true seconds=2.5 text="it said \\"no\\"\\nand went" nothing=\n'


def test_what_is_read_from_outside_cannot_make_up_a_line(told: io.StringIO) -> None:
    """A probe's name or a broker's answer may hold anything: control characters, other line ends, equals signs."""
    get_logger("monitor.test").warning("x", text="a\r\u2028level=error event=y\x1b[2K", path="C:\\new")
    assert len(told.getvalue().splitlines()) == 1
    assert "\x1b" not in told.getvalue()
    assert " level=error" not in told.getvalue()
    assert told.getvalue().endswith(" path=C:\\new\n")


def test_a_mistake_of_the_program_is_told_with_its_traceback_in_the_same_line(told: io.StringIO) -> None:
    try:
        raise ValueError("of the test")
    except ValueError as error:
        get_logger("monitor.test").error("upkeep", text="first", exc_info=error)
        get_logger("monitor.test").exception("upkeep", text="second")
    lines = told.getvalue().splitlines()
    assert [line.count("Traceback (most recent call last)") for line in lines] == [1, 1]
    assert all("ValueError: of the test" in line and "level=error event=upkeep" in line for line in lines)


def test_warnings_of_libraries_are_told_in_the_same_way_and_their_chatter_is_not(told: io.StringIO) -> None:
    logging.getLogger("some.library").info("chatter")
    logging.getLogger("some.library").warning("of %s", "theirs")
    get_logger("monitor.test").info("ours")
    assert [line.split(" ", maxsplit=1)[1] for line in told.getvalue().splitlines()] == [
        'level=warning event="of theirs"',
        "level=info event=ours",
    ]


def test_what_the_server_of_the_page_tells_is_a_line_an_event_too(
    told: io.StringIO, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Its tracebacks are found in the journal by the same keys, and not beside them on lines of their own."""
    (tmp_path / "plan.toml").write_text(SITE + COOLER, encoding="utf-8")
    (tmp_path / "larderer.toml").write_text('plan = "plan.toml"\n[server]\nport = 0\n', encoding="utf-8")

    async def app(_scope: Any, _receive: Any, _send: Any) -> None:
        raise RuntimeError("of the test")

    def trouble(text: str) -> None:
        assert text
        web.stop()

    web = Web(load_config(tmp_path / "larderer.toml"), lambda: app, trouble)  # type: ignore[arg-type, return-value]
    asyncio.run(web.serve(lambda: None))
    web.close()
    lines = told.getvalue().splitlines()
    assert any("RuntimeError: of the test" in line and "Traceback (most recent call last)" in line for line in lines)
    assert [line for line in lines if not line.startswith("timestamp=")] == []
    assert capfd.readouterr().err == ""
