"""Commands about plans and books."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.commands.app import app, said

plan_app = typer.Typer(
    no_args_is_help=True, help="Check a plan against its books.\n\nExample: larderer plan check plan.toml", rich_markup_mode=None
)
app.add_typer(plan_app, name="plan")


@plan_app.command("check")
def check(plan: Annotated[Path, typer.Argument(help="the plan, a TOML file")]) -> None:
    """Check a plan against its books; exit code 1 where something must be mended before meat depends on it.

    Example: larderer plan check plan.toml
    """
    from monitor.judge import read_plan
    from rules.book_text import check_text
    from rules.plan_check import check_plan

    loaded = read_plan(plan)
    remarks = check_plan(loaded)
    said(check_text(loaded, remarks, plan.name))
    raise typer.Exit(1 if any(r.severity == "error" for r in remarks) else 0)


@app.command()
def books(name: Annotated[str | None, typer.Argument(help="a book, or book/table")] = None) -> None:
    """List the limit books, or print one with its citations.

    Example: larderer books us-inspected-2021/meat-6.5-log
    """
    from rules.book_text import books_text

    said(books_text(name))
