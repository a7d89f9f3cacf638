"""The bell drill through the whole service: real telephones on loopback, answers by the signed link, the command and the ledger."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx

CONFIG = """
plan = "plan.toml"
data = "data"
[server]
port = 0
public_url = "http://127.0.0.1:9"
[[person]]
name = "Odile Marsh"
bells = ["odile-phone"]
[[person]]
name = "Tam Okafor"
role = "reviewer"
bells = ["tam-phone"]
[[bell]]
id = "odile-phone"
url = "json://127.0.0.1:{port}/odile-phone"
[[bell]]
id = "tam-phone"
url = "json://127.0.0.1:{port}/tam-phone"
[[escalation]]
after = "0 min"
persons = ["Odile Marsh"]
[alarms]
all_well = ""
drill_answer = "1 min"
"""


def test_drill_asked_for_on_the_command_line_reaches_everybody_and_hears_their_answers(
    tmp_path: Path, cook_plan: str, until: Callable[..., None]
) -> None:
    """Both telephones ring; a previewer's look answers nothing; each answers by the link; the command says who and when."""
    from monitor.config import load_config
    from monitor.demo.site import Phones
    from monitor.service import Service

    rung: list[tuple[str, str]] = []
    phones = Phones(lambda bell, _title, body: rung.append((bell, body)))
    phones.start()
    (tmp_path / "plan.toml").write_text(cook_plan, encoding="utf-8")
    (tmp_path / "larderer.toml").write_text(CONFIG.format(port=phones.port), encoding="utf-8")
    service = Service(load_config(tmp_path / "larderer.toml"), drivers=(), tick_s=0.1, exports=False)
    service.start()
    page = threading.Thread(target=service.run_server, daemon=True)
    page.start()
    until(lambda: service.answering, "the page")
    command = [sys.executable, "-m", "monitor.cli", "bells", "drill", "--config", str(tmp_path / "larderer.toml")]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        until(lambda: len(rung) >= 2 or process.poll() is not None, "both telephones")
        assert process.poll() is None, process.communicate()
        assert sorted(bell for bell, _ in rung) == ["odile-phone", "tam-phone"]
        with httpx.Client(base_url=service.url(), timeout=60) as phone:
            for bell, body in sorted(rung):
                assert "BELL DRILL" in body.splitlines()[0], bell
                link: Any = re.search(r"http://127\.0\.0\.1:9(/a/\S+)", body)
                assert phone.get(link[1]).status_code == 200
                assert phone.post(link[1]).status_code == 200
        out, err = process.communicate(timeout=60)
        assert process.returncode == 0, err
        assert re.search(r"Odile Marsh: odile-phone delivered; answered at \d\d:\d\d:\d\d, after", out)
        assert re.search(r"Tam Okafor: tam-phone delivered; answered at", out)
    finally:
        process.kill()
        process.communicate()
        service.stop()
        page.join(60)
        phones.close()
    refused = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert refused.returncode == 2
    assert "the service is not running" in refused.stderr
