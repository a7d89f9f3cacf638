"""The service on a root that cannot be written: everything but its own folder is read-only, as the unit has it and as a spared card is."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import urllib.request
from contextlib import closing
from pathlib import Path

import pytest

from rules.reading import SECOND
from tests.deploy.board import ROOT
from tests.missing import not_tested
from tests.waiting import until

#: $1: the folder that stays writable; the rest: what to run. Mount namespaces: unshare(1), mount_namespaces(7).
CLOSE = """
set -eu
own="$1"; shift
mount --make-rprivate /
mount --bind "$own" "$own"
awk '{ print $2 }' /proc/self/mounts | while IFS= read -r place; do
    case "$place" in
    "$own" | /proc | /proc/* | /sys | /sys/* | /dev | /dev/*) continue ;;
    esac
    mount -o remount,bind,ro "$place"
done
cd "$own"
for place in / /tmp /var /etc "$own/.."; do
    if ( : >"$place/larderer-written" ) 2>/dev/null; then echo "$place could be written" >&2; exit 97; fi
done
exec "$@"
"""


def closed(own: Path, *command: str) -> list[str]:
    """The command, run where only `own` can be written."""
    return ["unshare", "--mount", "sh", "-c", CLOSE, "sh", str(own), *command]


def stored_s(database: Path) -> float:
    """Seconds of the plant's time from the first reading that is stored to the last."""
    if not database.exists():
        return 0
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as conn:
        try:
            return float(conn.execute("SELECT coalesce(max(at) - min(at), 0) FROM reading").fetchone()[0]) / SECOND
        except sqlite3.OperationalError:
            return 0  # its tables are being made


@pytest.mark.full
def test_service_works_where_only_its_own_folder_can_be_written(tmp_path: Path) -> None:
    """A simulated minute and more is stored, health is ok, a backup is made and tried out, and no line tells of an error."""
    own = tmp_path / "own"
    own.mkdir()
    tried = subprocess.run(closed(own, "true"), capture_output=True, text=True, check=False)
    if tried.returncode:
        not_tested(
            f"no root of its own could be made read-only here ({tried.stderr.strip()[-200:]}), so a read-only root was not tried; "
            "run the tests as root, where unshare and mount are allowed"
        )
    shutil.copy(ROOT / "monitor/demo/plan.toml", tmp_path / "plan.toml")
    config = tmp_path / "larderer.toml"
    config.write_text(
        'plan = "plan.toml"\ndata = "own"\n[server]\nport = 0\n[store]\nspare_mb = 0\n[[source]]\ndriver = "simulator"\nspeed = 60.0\n',
        encoding="utf-8",
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    larderer = (sys.executable, "-m", "monitor.cli")
    log = tmp_path / "log"
    with log.open("w") as file:
        process = subprocess.Popen(closed(own, *larderer, "run", "--config", str(config)), env=environment, stdout=file, stderr=file)
    try:

        def told() -> str:
            assert process.poll() is None, log.read_text()
            return log.read_text()

        until(lambda: "Larderer watches" in told(), "the service did not come up")
        until(lambda: stored_s(own / "larderer.sqlite") >= 60 and told(), "no minute of readings was stored")
        url = re.findall(r"https?://\S+", re.findall(r"Larderer watches .*", told())[0])[0]
        with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(f"{url}api/v1/health", timeout=30) as answer:
            assert json.loads(answer.read())["status"] == "ok"
        for words in (("backup", str(own / "copy.sqlite")), ("restore", str(own / "copy.sqlite"), "--rehearse")):
            done = subprocess.run(
                closed(own, *larderer, *words, "--config", str(config)), env=environment, capture_output=True, text=True, check=False
            )
            assert done.returncode == 0, done.stderr
        process.send_signal(signal.SIGTERM)
        process.wait(60)
    finally:
        process.kill()
        process.wait()
    text = log.read_text()
    assert process.returncode == 0, text
    assert not re.search(r"(?i)traceback|read-only|level=(error|critical)", text), text
    assert sorted(p.name for p in tmp_path.iterdir()) == ["larderer.toml", "log", "own", "plan.toml"]
