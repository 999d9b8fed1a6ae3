"""``hazcam report``: what the pairs of a campaign amount to, as a page and as text."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from hazcam.campaign.store.reader import open_run
from hazcam.cli import options
from hazcam.cli.errors import user_errors
from hazcam.cli.progress import with_progress
from hazcam.report.campaign_text import campaign_text
from hazcam.report.campaign_write import run_report, write_campaign


@click.command()
@click.argument("run", type=options.FILE, metavar="RUN")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write the report to DIR.  [default: RUN/report]")
def report(run: Path, output: Path | None) -> None:
    """Report what the pairs of a campaign amount to.

    RUN is the folder that `hazcam batch -o` wrote, finished or not. Up to 60 pairs make one page,
    report.html, which holds everything; more make a folder: index.html with the figures, sheets of
    pictures, and a page for each pair. Pages open from the disk and need no network. The summary
    is printed as text too.

    Exit status: 0 done, whatever the verdicts; 1 an input failed; 2 wrong usage; 130 interrupted.
    """
    with user_errors():
        with open_run(run) as opened:
            made = run_report(opened)
            click.echo(campaign_text(made.summary), nl=False)
            folder = opened.file.parent / "report" if output is None else output
            written = write_campaign(made, folder, partial(with_progress, what="pages"))
        click.echo(f"{written.files} file{'' if written.files == 1 else 's'}, "
                   f"{written.size_bytes / 1e6:.1f} MB, are in {folder}; open {written.page}",
                   err=True)
