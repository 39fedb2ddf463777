"""Command line: the group and its commands."""

from __future__ import annotations

import sys

import click

from margin.commands.accept import accept
from margin.commands.age import age
from margin.commands.bench import bench
from margin.commands.budget import budget
from margin.commands.check import check
from margin.commands.common import EXIT_CODES, faults_shown
from margin.commands.compare import compare
from margin.commands.diagnose import diagnose
from margin.commands.draft import draft
from margin.commands.endurance import endurance
from margin.commands.estimate import estimate
from margin.commands.improve import improve
from margin.commands.overturn import overturn
from margin.commands.plan import plan
from margin.commands.qualify import qualify
from margin.commands.rare import rare
from margin.commands.schema import schema
from margin.commands.size import size
from margin.commands.validate import validate


@click.group(context_settings={"help_option_names": ["-h", "--help"]}, epilog=EXIT_CODES)
@click.version_option(package_name="margin")
def cli() -> None:
    """Force error, calibration decision and yield of force-sensing pads and their front ends.

    Start with: margin draft for a first case, then margin estimate CASE.toml --out report
    """


cli.add_command(draft)
cli.add_command(estimate)
cli.add_command(budget)
cli.add_command(compare)
cli.add_command(check)
cli.add_command(bench)
cli.add_command(rare)
cli.add_command(accept)
cli.add_command(diagnose)
cli.add_command(age)
cli.add_command(endurance)
cli.add_command(qualify)
cli.add_command(plan)
cli.add_command(size)
cli.add_command(overturn)
cli.add_command(improve)
cli.add_command(schema)
cli.add_command(validate)


def main() -> None:
    """Entry point. Failures outside of a command are reported like those inside of one."""
    with faults_shown():
        try:
            code = cli(standalone_mode=False)
        except click.ClickException as error:
            error.show()
            code = error.exit_code
        except click.Abort:
            raise KeyboardInterrupt from None
    sys.exit(code or 0)


if __name__ == "__main__":
    main()
