"""An address at which there is nothing: a page for a browser, a problem document for a program."""

from __future__ import annotations

from typing import Any

import pytest

BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
PROBLEM = "application/problem+json"


@pytest.mark.parametrize("path", ["/set-up/nowhere", "/nowhere", "/lots/J-0412/nowhere", "/sign-out", "/nowhere/"])
def test_browser_gets_a_page_and_the_way_on(full_site: Any, reader: Any, path: str) -> None:
    """For whoever is signed in and for a stranger; also where an address only takes a form, as after a reload."""
    stranger = reader.http.get(path, headers=BROWSER)
    assert (stranger.status_code, stranger.headers["content-type"]) == (404, "text/html; charset=utf-8")
    assert "There is nothing here" in stranger.text
    assert 'href="/sign-in">Sign in</a>' in stranger.text
    reader.sign_in("operator")
    known = reader.http.get(path, headers=BROWSER)
    assert known.status_code == 404
    assert 'href="/">What needs me now</a>' in known.text


def test_address_is_shown_as_text(full_site: Any, reader: Any) -> None:
    """What somebody else wrote into a link makes no tags, and a long one does not fill the screen."""
    answer = reader.http.get("/<script>alert(1)</script>" + "x" * 300, headers=BROWSER)
    assert answer.status_code == 404
    assert "<script>alert" not in answer.text
    assert "x" * 90 + "…" not in answer.text


@pytest.mark.parametrize(
    ("method", "path"), [("GET", "/nowhere"), ("POST", "/nowhere"), ("GET", "/api/v1/nowhere"), ("GET", "/api/nowhere")]
)
def test_program_keeps_its_problem_document(full_site: Any, reader: Any, method: str, path: str) -> None:
    """Without text/html in Accept, and anywhere under /api, the answer is RFC 9457's."""
    headers = BROWSER if path.startswith("/api") else {"Accept": "application/json"}
    answer = reader.http.request(method, path, headers=headers)
    assert (answer.status_code, answer.headers["content-type"]) == (404, PROBLEM)
    assert answer.json()["type"] == "/api/v1/problems/not-found"
    if method == "POST":
        assert reader.http.post(path, headers=BROWSER).headers["content-type"] == PROBLEM


def test_slash_too_many_is_led_on_as_before(full_site: Any, reader: Any) -> None:
    """The page that stands there without the slash."""
    reader.sign_in("operator")
    assert reader.http.get("/lots/", headers=BROWSER).url.path == "/lots"
