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


@plan_app.command("sheet")
def sheet(
    plan: Annotated[Path, typer.Argument(help="the plan, a TOML file")],
    markdown: Annotated[bool, typer.Option("--markdown", help="as Markdown")] = False,
    pdf: Annotated[Path | None, typer.Option(help="write it as a PDF to this file")] = None,
) -> None:
    """Print the HACCP plan summary of a plan, and what the plan does not say.

    Example: larderer plan sheet plan.toml --pdf plan.pdf
    """
    from monitor.errors import InputError
    from monitor.judge import read_plan
    from monitor.plan_sheet.model import plan_sheet

    loaded = read_plan(plan)
    made = plan_sheet(loaded, plan.name)
    if pdf is not None:
        if markdown:
            raise InputError("--markdown and --pdf are two forms of one sheet; give one of them")
        from monitor.plan_sheet.pdf import write_pdf

        try:
            write_pdf(pdf, made, letter=loaded.site.timezone.startswith("America/"))
        except OSError as error:
            raise InputError(f"{pdf} cannot be written ({error.strerror}); name a file in a folder that is there") from error
        said(f"{pdf} written.")
    elif markdown:
        from monitor.plan_sheet.markdown import sheet_markdown

        said(sheet_markdown(made))
    else:
        from monitor.plan_sheet.text import sheet_text

        said(sheet_text(made))


@plan_app.command("rehearse")
def rehearse(
    plan: Annotated[Path, typer.Argument(help="the plan, a TOML file")],
    product: Annotated[str, typer.Argument(help="a product's code")],
    diameter: Annotated[str | None, typer.Option(help='how thick the piece is, such as "30 mm"; default: the product\'s own')] = None,
    start: Annotated[str, typer.Option(help="the core when the cook begins")] = "40 °F",
    chamber: Annotated[str | None, typer.Option(help='the chamber throughout, such as "170 °F", in place of the profile')] = None,
    step: Annotated[list[str] | None, typer.Option(help='a step\'s surroundings, such as "bath = 60 °F water for 10 min"')] = None,
) -> None:
    """Run a product's schedule on a heat-transfer model; exit code 1 where a limit would not be met. No verdict on a real lot.

    Example: larderer plan rehearse plan.toml juniper-links --diameter 30mm
    """
    from monitor.commands.rehearse_text import missed, rehearsal_text
    from monitor.errors import InputError
    from monitor.judge import read_plan
    from rules.quantity import parse_temperature, parse_thickness
    from rules.rehearsal.play import rehearse as play
    from rules.rehearsal.settings import Settings, parse_stay

    loaded = read_plan(plan)
    found = loaded.product_by_code.get(product)
    if found is None:
        raise InputError(f'the plan has no product "{product}"; write one of {", ".join(loaded.product_by_code) or "its own products"}')
    across = parse_thickness(diameter) if diameter is not None else found.diameter_m
    if across is None:
        raise InputError(f'{product} states no diameter; give --diameter "30 mm", or write diameter = "30 mm" in the plan')
    settings = Settings(
        across,
        parse_temperature(start),
        parse_temperature(chamber) if chamber is not None else None,
        dict(parse_stay(s) for s in step or ()),
    )
    outcome = play(loaded, found, settings)
    said(rehearsal_text(loaded, outcome, settings))
    raise typer.Exit(1 if missed(outcome) else 0)


@app.command()
def books(
    name: Annotated[str | None, typer.Argument(help="a book, or book/table")] = None,
    table: Annotated[str | None, typer.Argument(help="one table of the book")] = None,
) -> None:
    """List the limit books, or print one, or one table of it, with its citations.

    Example: larderer books us-inspected-2021 meat-6.5-log
    """
    from rules.book_text import books_text

    said(books_text(f"{name}/{table}" if name and table else name))
