"""Every example of docs/sources.md is loaded as the service loads it, and every driver has one."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from monitor.config import Config, load_config
from monitor.sources import mqtt_options, source_options
from probes import driver
from probes.mqtt import Mqtt

PAGE = Path(__file__).parents[2] / "docs" / "sources.md"
EXAMPLES = re.findall(r"(?ms)^```toml\n(.*?)^```", PAGE.read_text(encoding="utf-8"))
FILES = ("site-ca.crt", "larderer.crt", "larderer.key", "broker-password", "opcua-password")


def kind(text: str) -> str:
    """The driver that an example is of."""
    table: dict[str, Any] = tomllib.loads(text)
    return "mqtt" if "mqtt" in table else str(table["source"][0]["driver"])


@pytest.fixture
def config(tmp_path: Path) -> Any:
    """A configuration with the example in it, and the files that it names."""

    def made(text: str) -> Config:
        for name in FILES:
            (tmp_path / name).write_text("invented\n")
        (tmp_path / "plan.toml").write_text('[site]\nid = "ferncliff"\n')
        (tmp_path / "larderer.toml").write_text(f'plan = "plan.toml"\n{text}')
        return load_config(tmp_path / "larderer.toml")

    return made


@pytest.mark.parametrize("text", EXAMPLES, ids=kind)
def test_example_is_loaded(text: str, config: Any) -> None:
    """No example has a mistake, an unknown key or a missing one."""
    loaded = config(text)
    if loaded.mqtt is not None:
        source = driver.load("mqtt", mqtt_options(loaded.mqtt, "ferncliff"))
        assert isinstance(source, Mqtt)
        assert source.tls_key.endswith("larderer.key")
    for source in loaded.sources:
        assert driver.load(source.driver, source_options(loaded, source)).name


def test_every_driver_has_its_example_and_its_section() -> None:
    """A driver without an example cannot be set up by somebody who has only this page."""
    assert {kind(text) for text in EXAMPLES} == set(driver.DRIVERS)
    headings = re.findall(r"(?m)^## `(\w+)`", PAGE.read_text(encoding="utf-8"))
    assert set(headings) == set(driver.DRIVERS)


def test_folder_keeps_its_positions_with_the_store(config: Any, tmp_path: Path) -> None:
    """Not in the logger's folder, which may be a card or a share that cannot be written; two folders do not share a file."""
    text = next(text for text in EXAMPLES if kind(text) == "folder")
    loaded = config(text + text.replace("/srv/logger", "/srv/other"))
    places = [Path(str(source_options(loaded, source)["positions"])) for source in loaded.sources]
    assert {place.parent for place in places} == {tmp_path / "data"}
    assert len(set(places)) == 2
