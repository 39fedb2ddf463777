"""`margin qualify`: size and duration of a qualification test, and what a finished one shows."""

from __future__ import annotations

import click

from margin.commands.common import OF_FILES, Asked, asked_options, faults_shown, shown_and_saved


def share(ctx: click.Context, param: click.Parameter, value: str) -> float:
    """A share, as '95 %' or 0.95."""
    text = value.strip()
    try:
        number = float(text.removesuffix("%")) / (100.0 if text.endswith("%") else 1.0)
    except ValueError:
        number = float("nan")
    if not 0.0 < number < 1.0:
        raise click.BadParameter(f"{value!r} is no share between 0 and 1: write it like '95 %' or 0.95")
    return number


@click.command(
    epilog="Exit codes: 0 done, 1 the finished test does not show it, 2 bad input, 130 interrupted."
)
@click.option(
    "--reliability", callback=share, default="90 %", show_default=True, help="Share of units to live."
)
@click.option("--confidence", callback=share, default="90 %", show_default=True, help="Of the statement.")
@click.option("--shape", type=float, help="Shape of the Weibull distribution of lives, for other durations.")
@click.option("--duration", "durations", type=float, multiple=True, help="Of the test, in lives. Repeatable.")
@click.option(
    "--failures", type=click.IntRange(min=0), multiple=True, help="That the test allows. Repeatable."
)
@click.option(
    "--tested", type=click.IntRange(min=1), help="Units of a finished test, over the first duration."
)
@click.option(
    "--failed", type=click.IntRange(min=0), default=0, show_default=True, help="Of them, before its end."
)
@click.option("--activation", type=float, help="Energy, eV, by which temperature hastens ageing (Arrhenius).")
@click.option("--in-service", type=float, help="Temperature of the service, degC, with --activation.")
@click.option("--in-test", type=float, help="Temperature of the test, degC, with --activation.")
@asked_options(*OF_FILES)
@click.pass_context
def qualify(
    ctx: click.Context,
    reliability: float,
    confidence: float,
    shape: float | None,
    durations: tuple[float, ...],
    failures: tuple[int, ...],
    tested: int | None,
    failed: int,
    activation: float | None,
    in_service: float | None,
    in_test: float | None,
    asked: Asked,
) -> None:
    """Size and duration of a test that shows a life, or what a finished test leaves open.

    Such as: margin qualify --reliability '95 %' --confidence '90 %' --shape 1.7 --duration 1 --duration 2
    """
    if failed and tested is None:
        raise click.UsageError(f"--failed {failed}: of how many? State the units of the test by --tested")
    with faults_shown():
        from margin.endurance_study import qualify as qualified
        from margin.report.endurance_page import QUALIFICATION

        study = shown_and_saved(
            lambda stage: qualified(
                reliability, confidence, shape=shape, durations=durations or None, failures=failures or (0, 1, 2),
                tested=tested, failed=failed, duration=durations[0] if durations else None,
                activation_energy=activation, in_service=in_service, in_test=in_test,
            ),
            QUALIFICATION,
            asked,
        )  # fmt: skip
    ctx.exit(0 if study.shown is None or study.shown >= reliability else 1)
