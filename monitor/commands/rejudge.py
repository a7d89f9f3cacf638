"""The command `larderer rejudge`: asks the running service, as a person who signs in, to judge what came too late."""

from __future__ import annotations

import http.cookiejar
import json
import os
import sys
import urllib.error
import urllib.request
import uuid
from getpass import getpass
from pathlib import Path
from typing import Any

from monitor.config import load_config
from monitor.errors import RefusedError
from rules.quantity import parse_instant

#: The PIN or password for a command that nobody sits at.
SECRET = "LARDERER_SECRET"
_PATIENCE_S = 60.0


class Service:
    """The running service's API, signed in as a person."""

    def __init__(self, url: str) -> None:
        self.url = url
        cookies = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        self._opener = urllib.request.build_opener(urllib.request.ProxyHandler({}), cookies)
        self._token = ""

    def sign_in(self, name: str, secret: str) -> None:
        """Sign in; RefusedError where the service says no."""
        self._token = str(self.post("/api/v1/session", {"name": name, "secret": secret})["form_token"])

    def get(self, path: str) -> dict[str, Any]:
        """What the service knows; RefusedError as `post`."""
        return self._ask(urllib.request.Request(self.url + path))

    def post(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        """What the service answers; RefusedError with its one sentence where it refuses or is not there."""
        headers = {"Content-Type": "application/json", "Idempotency-Key": str(uuid.uuid4()), "X-Form-Token": self._token}
        return self._ask(urllib.request.Request(self.url + path, json.dumps(body).encode(), headers))

    def _ask(self, asked: urllib.request.Request) -> dict[str, Any]:
        try:
            with self._opener.open(asked, timeout=_PATIENCE_S) as answer:
                return dict(json.loads(answer.read()))
        except urllib.error.HTTPError as error:
            with error:
                text = error.read()
            raise RefusedError(_sentence(text, error.code)) from error
        except OSError as error:
            raise RefusedError(f"no service answers at {self.url} ({error}); start it, or name its address with --url") from error


def signed_in(config: Path, name: str, url: str) -> Service:
    """The running service with that person signed in; RefusedError where it is not there, or says no."""
    if not url:
        server = load_config(config, check_bells=False).server
        url = f"http://{'127.0.0.1' if server.host in ('0.0.0.0', '::') else server.host}:{server.port}"
    secret = os.environ.get(SECRET, "")
    if not secret:
        if not sys.stdin.isatty():
            raise RefusedError(f"nobody is there to type the PIN of {name}; set {SECRET}")
        secret = getpass(f"PIN or password of {name}: ")
    service = Service(url.rstrip("/"))
    service.sign_in(name, secret)
    return service


def rejudge(config: Path, since: str, reason: str, name: str, url: str) -> str:
    """Ask for it; what became of it, in a sentence."""
    parse_instant(since)  # a mistake is told before anybody types a PIN
    made = signed_in(config, name, url).post("/api/v1/rejudgements", {"since": since, "reason": reason})
    count = "1 reading counts" if made["readings"] == 1 else f"{made['readings']} readings count"
    how = "They are being judged now, beside what goes on." if made["waiting"] else "They are judged."
    return f"{count} from now on, from {made['since']}. {how}"


def _sentence(text: bytes, code: int) -> str:
    try:
        return str(json.loads(text)["detail"])
    except (ValueError, KeyError, TypeError):
        return f"the service answered {code}; see its journal"
