"""``hazcam rig``: what a rig on a rover is good for, before any picture is taken."""

from __future__ import annotations

from pathlib import Path

import click

from hazcam import report
from hazcam.calibration import read_rig
from hazcam.cli import options
from hazcam.cli.errors import user_errors
from hazcam.rig_card import DISPARITY_SIGMA_PX, DISPARITY_SIGMA_SOURCE, rig_card
from hazcam.rover import read_rover


@click.group()
def rig() -> None:
    """A rig on a rover: what it can tell of the ground."""


@rig.command()
@options.rig_and_rover(required=True)
@click.option("--disparity-sigma-px", type=click.FloatRange(0, min_open=True),
              callback=options.finite, default=DISPARITY_SIGMA_PX, show_default=True,
              metavar="PX",
              help=f"One standard deviation of a match. The default is the "
                   f"{DISPARITY_SIGMA_SOURCE}.")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write rig_card.png, rig_card.json and rig_card.txt to DIR.")
def card(
    rig: Path, rig_right: Path | None, mount: Path | None, rover: str,
    disparity_sigma_px: float, output: Path | None,
) -> None:
    """Say what a rig on a rover can tell of flat ground, against distance and heading.

    Where the swath is in both pictures, ground sample distance, sigma of range and height (a
    point's own, and what all points share), the smallest obstacle that can be told from the
    ground, and how much ground a thing hides behind itself. From rig, mount and rover alone.

    Exit status: 0 done; 1 an input failed; 2 wrong usage.
    """
    with user_errors():
        found = rig_card(read_rig(rig, rig_right, mount=mount), read_rover(rover),
                         disparity_sigma_px=disparity_sigma_px)
        if output is not None:
            report.write_rig_card(found, output)
    click.echo(report.rig_card_text(report.rig_card_record(found)), nl=False)
    if output is not None:
        click.echo(f"results are in {output}", err=True)
