"""The Typer app that the command modules hang their commands on, and how they speak."""

from __future__ import annotations

import sys
from typing import NoReturn

import typer

app = typer.Typer(
    name="larderer",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=(
        "Watches every lot of sausage and smoked meat against published limits. It supports a HACCP plan and does not replace one: "
        "limits must be validated by a qualified person, local law and the inspector decide, and a thermometer is only as good as its "
        "last calibration."
        "\n\nExample: larderer judge plan.toml readings.csv --events events.csv"
    ),
)


def said(text: str) -> None:
    """Print a text that may already end in a line break."""
    sys.stdout.write(text if text.endswith("\n") else text + "\n")
    sys.stdout.flush()


def refuse(sentence: str) -> NoReturn:
    """One plain sentence on standard error, exit code 2."""
    print(sentence, file=sys.stderr)
    sys.exit(2)
