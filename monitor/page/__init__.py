"""The page: sentences for a phone in a wet hand. Templates, one CSS, a little plain JavaScript, and the routers behind them."""

from __future__ import annotations

from monitor.page import alarms, checks, clock, days, deviations, door, late, lots, now, nowhere, set_up

#: What `monitor.api.app.create_app` is given as its pages.
ROUTERS = (
    door.router, now.router, lots.router, alarms.router, deviations.router, days.router, checks.router, late.router, set_up.router,
    clock.router, nowhere.router,  # last: it takes what no other does
)  # fmt: skip
