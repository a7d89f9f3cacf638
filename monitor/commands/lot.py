"""Commands about the papers of a lot: what was received for it, what holds it, its release. Asked of the running service by a person."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.commands.app import app, said
from monitor.commands.store import CONFIG, ConfigOption

lot_app = typer.Typer(
    no_args_is_help=True,
    help='Papers of a lot: receipts, hold, release.\n\nExample: larderer lot papers J-0412 --name "Tam Okafor"',
    rich_markup_mode=None,
)
app.add_typer(lot_app, name="lot")

LotArgument = Annotated[str, typer.Argument(help="the lot's id")]
NameOption = Annotated[str, typer.Option(help="who asks; the PIN is asked for, or taken from LARDERER_SECRET")]
UrlOption = Annotated[str, typer.Option(help="where the service answers; as configured if left out")]


@lot_app.command("papers")
def papers(lot: LotArgument, name: NameOption, url: UrlOption = "", config: ConfigOption = CONFIG) -> None:
    """Show what was received for a lot, what holds it, and whether it is released.

    Example: larderer lot papers J-0412 --name "Tam Okafor"
    """
    from monitor.commands.lot_papers import show

    said(show(config, lot, name, url))


@lot_app.command("receive")
def receive(
    lot: LotArgument,
    name: NameOption,
    material: Annotated[str, typer.Option(help="what came")],
    supplier: Annotated[str, typer.Option(help="who delivered it")],
    supplier_lot: Annotated[str, typer.Option(help="the lot on its label")],
    temperature: Annotated[str, typer.Option(help="as measured, with its unit")],
    kg: Annotated[str, typer.Option(help="how many kilograms came")],
    refused: Annotated[bool, typer.Option("--refused", help="it was not accepted; --note says why")] = False,
    note: Annotated[str, typer.Option(help="a note")] = "",
    at: Annotated[str, typer.Option(help="when it came, with its offset (default: now)")] = "",
    url: UrlOption = "",
    config: ConfigOption = CONFIG,
) -> None:
    """Write down what was received for a lot.

    Example: larderer lot receive J-0412 --name "Odile Marsh" --material "venison trim" --supplier "Hollow Beck Game"
    --supplier-lot HB-77 --temperature "36 F" --kg 42.5
    """
    from monitor.commands.lot_papers import receive as enter

    came = {"material": material, "supplier": supplier, "supplier_lot": supplier_lot, "temperature": temperature, "weight_kg": kg}
    said(enter(config, lot, {**came, "accepted": not refused, "note": note, **({"at": at} if at else {})}, name, url))


@lot_app.command("withdraw")
def withdraw(
    lot: LotArgument,
    receipt: Annotated[int, typer.Argument(help="its number, as larderer lot papers shows it", min=1)],
    reason: Annotated[str, typer.Option(help="what was wrong with it")],
    name: NameOption,
    url: UrlOption = "",
    config: ConfigOption = CONFIG,
) -> None:
    """Take back a receipt that was written wrongly; both stay on record.

    Example: larderer lot withdraw J-0412 31 --reason "the weight of another delivery" --name "Odile Marsh"
    """
    from monitor.commands.lot_papers import withdraw as take_back

    said(take_back(config, lot, receipt, reason, name, url))


@lot_app.command("release")
def release(
    lot: LotArgument,
    name: NameOption,
    comment: Annotated[str, typer.Option(help="a word about it; what is left, where product was destroyed, returned or diverted")] = "",
    url: UrlOption = "",
    config: ConfigOption = CONFIG,
) -> None:
    """Sign the release of a lot, as a reviewer. What still holds it is named, and nothing is signed then.

    Example: larderer lot release J-0412 --name "Tam Okafor"
    """
    from monitor.commands.lot_papers import release as sign

    said(sign(config, lot, comment, name, url))
