"""Every page against the rules of axe-core (WCAG 2.2, levels A and AA, and its good practice), in both looks, unfolded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from monitor.links import link_key, make_link
from tests.monitor.page.thumb import Phone

AXE = (Path(__file__).parent / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
RUN = """
const done = arguments[arguments.length - 1];
axe.run(document, {runOnly: {type: 'tag', values: arguments[0]}, resultTypes: ['violations']}).then(
  r => done({found: r.violations.flatMap(v => v.nodes.map(n => v.id + ': ' + n.target.join(' ') + ' ' + n.html.slice(0, 140))),
    tried: r.passes.length}),
  e => done({found: [String(e)], tried: 0}));
"""
PATHS = (
    "/", "/lots", "/lots/new", "/lots/J-0412", "/lots/T-0301", "/lots/J-0412/picture", "/lots/T-0301/hold-tag", "/lots/J-0412/hold-tag",
    "/lots/nowhere", "/set-up/nowhere",
    "/alarms", "/alarms/A1", "/deviations", "/deviations/D1", "/probes", "/probes/core-1/check", "/probes/core-1/check?way=boiling-point",
    "/probes/core-1/check?way=comparison", "/late", "/clock", "/days", "/days/2026-03-02",
    "/pin",
)  # fmt: skip
REVIEWER_PATHS = (
    "/set-up", "/set-up/people", "/set-up/people/Odile%20Marsh", "/set-up/people/Tam%20Okafor", "/set-up/bells", "/set-up/probes",
    "/set-up/probes?look=1", "/set-up/people/Nobody", "/", "/deviations/D1", "/lots/T-0301", "/days/2026-03-02",
)  # fmt: skip


def faults(phone: Phone, path: str) -> list[str]:
    """What axe-core finds wrong with one page, with everything on it unfolded."""
    phone.open(path)
    run = phone.browser.execute_script
    run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    # The bar at the bottom lies over whatever is scrolled under it just then; axe-core takes what it covers for small.
    run("document.querySelectorAll('nav').forEach(n => { n.style.position = 'static'; })")
    run(AXE)
    answer = phone.browser.execute_async_script(RUN, list(TAGS))
    assert answer["tried"] > 10 or answer["found"], f"{path}: axe-core tried nothing"
    return [f"{path}: {one}" for one in answer["found"]]


def test_axe_finds_nothing_at_the_door(full_site: Any, chromium: Any) -> None:
    """Whoever is not signed in meets pages without a fault: the door, the first run, a signed link, one that is broken."""
    phone = Phone(chromium, full_site)
    link = make_link(link_key(full_site.service.config.data / "keys"), "A1", "Odile Marsh", full_site.clock())
    for path in ("/sign-in", "/first-run", f"/a/{link}", "/a/broken.link"):
        assert faults(phone, path) == []


@pytest.mark.parametrize("look", [pytest.param("smoke", marks=pytest.mark.full), "sun"])
def test_axe_finds_nothing_on_any_page(full_site: Any, chromium: Any, look: str) -> None:
    """Names, roles, contrast, order of headings, target size: nothing for the operator's every page."""
    phone = Phone(chromium, full_site)
    phone.sign_in("Odile Marsh")
    if look == "sun":
        phone.tap("Bright page for sunlight")
        phone.says("Dark page")
    found = [fault for path in PATHS for fault in faults(phone, path)]
    assert not found, "\n".join(found)


def test_axe_finds_nothing_in_the_set_up(full_site: Any, chromium: Any) -> None:
    """The pages that only a reviewer reads, and those that hold a signature for one."""
    phone = Phone(chromium, full_site)
    phone.sign_in("Tam Okafor")
    found = [fault for path in REVIEWER_PATHS for fault in faults(phone, path)]
    assert not found, "\n".join(found)


def test_axe_finds_what_is_wrong(full_site: Any, chromium: Any) -> None:
    """A control without a name is found: the check above can fail."""
    phone = Phone(chromium, full_site)
    phone.open("/sign-in")
    phone.browser.execute_script("document.querySelector('main').insertAdjacentHTML('beforeend', '<input type=\"text\">')")
    phone.browser.execute_script(AXE)
    found = phone.browser.execute_async_script(RUN, list(TAGS))["found"]
    assert any(one.startswith("label:") for one in found), found
