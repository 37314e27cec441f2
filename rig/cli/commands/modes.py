"""The verb `modes`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import SIMULATED_LINE, Answer, Speaker, number
from rig.cli.verb import FILE, check_kind, contract_of, folder_argument, scan_option, verb
from rig.cli.verbs import job


@verb(
    "modes",
    "Show how the plate moves at each of its partials.",
    example="platerig modes maple-back.plate --scan S0001 --picture modes.png\n"
    "platerig modes maple-back.plate --scan S0002 --against S0001",
)
@folder_argument
@scan_option()
@click.option("--against", metavar="S0002", help="Another scan to compare the shapes with.")
@click.option("--highest", "highest_hz", type=click.FloatRange(min=50.0, max=2500.0),
              default=1500.0, show_default=True, help="Highest frequency in Hz.")  # fmt: skip
@click.option("--picture", type=FILE, help="Draw all modes on one sheet (png, svg or pdf).")
@click.option("--figures", type=FILE, metavar="DIR", help="Draw each mode into a PNG of its own.")
def modes(
    folder: Path,
    scan: str | None,
    against: str | None,
    highest_hz: float,
    picture: Path | None,
    figures: Path | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """Show the shape of every partial of the plate, from all taps of a scan together."""
    del machine
    if picture is not None:
        check_kind(picture)
    contract = contract_of(
        job("modes")(
            folder,
            scan,
            against=against,
            highest_hz=highest_hz,
            picture=picture,
            figures=figures,
            progress=progress,
        )
    )

    def say(to: Speaker) -> None:
        if contract["simulated"]:
            to.line(SIMULATED_LINE)
        heads = ["mode (Hz)", "± (Hz)", "decay (ms)", "in phase (%)", "over noise (dB)", "quality"]
        if against is not None:
            heads += [f"{against} (Hz)", "likeness (0 to 1)"]
        to.table(heads, [_row(mode, against is not None) for mode in contract["modes"]])
        for mode in contract["modes"]:
            for reason in mode["reasons"]:
                to.line(f"{number(mode['hz'], 1, 'Hz')}: {reason}")
        for gone in contract["left_out"]:
            to.line(f"{number(gone['hz'], 1, 'Hz')} left out: {gone['reason']}.")
        if picture is not None:
            to.line(f"Picture: {picture}")
        to.lines(f"Picture: {path}" for path in contract["figures"])

    return Answer(contract, say)


def _row(mode: dict[str, Any], compared: bool) -> list[str]:
    row = [
        number(mode["hz"], 2),
        number(mode["sd_hz"], 2),
        number(mode["decay_s"] * 1000),
        number(100 * mode["in_phase_share"]),
        number(mode["signal_to_noise_db"]),
        mode["quality"],
    ]
    if compared:
        pair = mode["against_hz"]
        row += ["none", ""] if pair is None else [number(pair, 2), number(mode["mac"], 3)]
    return row


COMMANDS = (modes,)
