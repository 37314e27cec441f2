"""Verbs on one sound file: read, scratch."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import Answer, Json, Speaker, count, number
from rig.cli.verb import FILE, Decorator, check_kind, contract_of, verb
from rig.cli.verbs import job


def channel_option(name: str, what: str, **more: Any) -> Decorator:
    """Add an option for a channel of the recording."""
    return click.option(
        *name.split(),
        type=click.IntRange(min=0),
        help=f"Channel of {what}, counted from 0.",
        **more,
    )


@verb(
    "read",
    "Say what one recording holds.",
    example="platerig read tap.wav\n"
    "platerig read bend.wav --bar 300,30.0,4.05,15.12 --twist twist.wav",
)
@click.argument("file", metavar="FILE", type=FILE)
@channel_option("--mic-channel channel", "the microphone", default=0, show_default=True)
@channel_option("--pickup-channel", "the hammer pickup")
@click.option(
    "--mains",
    type=click.Choice(["50", "60", "none"]),
    default="50",
    show_default=True,
    help="Mains frequency in Hz, whose hum is no partial of the wood.",
)
@click.option(
    "--bar",
    metavar="L,B,T,MASS",
    help="The recording is of a free bar of this length, width, thickness (mm) and mass (g): tell "
    "Young's modulus. Give all digits that were measured.",
)
@click.option(
    "--twist", type=FILE, help="Second recording of the bar, tapped at a corner: the shear modulus."
)
def read(
    file: Path,
    mains: str,
    bar: str | None,
    twist: Path | None,
    progress: Any,
    machine: bool,
    **channels: int | None,
) -> Answer:
    """Say what one recording of a strike holds: pitch, partials, quality.

    With --bar: the wood or metal of a bar. Rest it on two soft edges at 22 % of its length from
    both ends and tap its middle; to twist it, hold it at its very middle and tap a corner.

    Exit status 1 when no usable strike is heard.
    """
    del machine
    if twist is not None and bar is None:
        raise click.UsageError("--twist needs --bar L,B,T,MASS as well.")
    hum_hz = None if mains == "none" else float(mains)
    options = {} if bar is None else {"bar": bar, "twist": twist}
    contract = contract_of(
        job("read")(file, hum_hz=hum_hz, progress=progress, **channels, **options)
    )
    readings = contract["readings"]

    def say(to: Speaker) -> None:
        for reading in readings:
            _say_reading(to, reading)
        if not readings:
            to.line("No strike was heard in this recording.")
        if contract.get("bar"):
            _say_bar(to, contract["bar"])

    usable = any(reading["quality"] != "bad" for reading in readings)
    return Answer(contract, say, status=0 if usable else 1)


def _say_reading(to: Speaker, reading: Json) -> None:
    from rig.model.units import nearest_note

    onset = reading["onset_s"]
    at = "no clear onset" if onset is None else f"strike at {number(onset, 3, 's')}"
    to.line(f"Quality {reading['quality']}, {at}.")
    hz = reading["tone_hz"]
    if hz is None:
        to.line("No single pitch that a musician would name.")
    else:
        note, off = nearest_note(hz)
        to.line(f"Pitch {number(hz, 1, 'Hz')}: {note} {number(off, 0, 'cents', signed=True)}.")
    if reading["attack_hz"] is not None:
        to.line(f"Attack (what the ear takes first): {number(reading['attack_hz'], 0, 'Hz')}.")
    for reason in reading["reasons"]:
        to.line(f"  {reason}")
    if reading["ring"]:
        to.table(
            ("partial (Hz)", "± (Hz)", "decay (ms)", "level (dB)"),
            [
                (
                    number(p["hz"], 2),
                    number(p["sd_hz"], 2),
                    number(p["decay_s"] * 1000, 0),
                    number(p["level_db"], 1),
                )
                for p in reading["ring"]
            ],
        )


def _say_bar(to: Speaker, bar: Json) -> None:
    size = " × ".join(f"{bar[key]:g}" for key in ("length_mm", "width_mm", "thickness_mm"))
    to.line(
        f"Bar of {size} mm, {bar['mass_g']:g} g: density "
        f"{_doubted(bar['density_kg_m3'], bar['density_kg_m3_sd'], 'kg/m³')}."
    )
    to.line(
        f"Bending tone {_doubted(bar['flexural_hz'], bar['flexural_sd_hz'], 'Hz')}. Young's "
        f"modulus {_doubted(bar['young_gpa'], bar['young_gpa_sd'], 'GPa')}; sound runs along the "
        f"bar at {_doubted(bar['speed_m_s'], bar['speed_m_s_sd'], 'm/s')}."
    )
    if bar["shear_gpa"] is not None:
        ratio = ""
        if bar["poisson"] is not None:
            ratio = f" Poisson's ratio {number(bar['poisson'], 2)}."
        to.line(
            f"Twisting tone {_doubted(bar['torsional_hz'], bar['torsional_sd_hz'], 'Hz')}. Shear "
            f"modulus {_doubted(bar['shear_gpa'], bar['shear_gpa_sd'], 'GPa')}.{ratio}"
        )
    to.lines(f"  {note}" for note in bar["notes"])


def _doubted(value: float, sd: float, unit: str) -> str:
    """Value and standard deviation, to two digits of the latter."""
    from math import floor, log10

    digits = 3 if sd <= 0 else max(0, min(4, 1 - floor(log10(sd))))
    return f"{number(value, digits)} ± {number(sd, digits, unit)}"


@verb(
    "scratch",
    "Follow the noise of a nail or fingertip.",
    example="platerig scratch rub.wav --picture rub.png --table rub.csv",
)
@click.argument("file", metavar="FILE", type=FILE)
@channel_option("--mic-channel channel", "the microphone", default=0, show_default=True)
@click.option("--table", type=FILE, help="Write the track as CSV, a row every 20 ms.")
@click.option("--picture", type=FILE, help="Draw the track (png, svg or pdf).")
def scratch(
    file: Path,
    channel: int,
    table: Path | None,
    picture: Path | None,
    progress: Any,
    machine: bool,
) -> Answer:
    """Follow the pitch of the noise while a nail is drawn or a fingertip rubbed over the plate.

    How loud it is does not matter; breaks and knocks from handling are marked. Exit status 1
    when no scratching is heard.
    """
    del machine
    if picture is not None:
        check_kind(picture)
    contract = contract_of(
        job("scratch")(file, channel=channel, table=table, picture=picture, progress=progress)
    )

    def say(to: Speaker) -> None:
        if contract["reason"]:
            to.line(contract["reason"])
            return
        runs = contract["runs"]
        to.line(
            f"{count(len(runs), 'stretch', 'stretches')} of scratching, "
            f"{number(contract['sounding_s'], 1)} of {number(contract['duration_s'], 1, 's')}."
        )
        to.table(
            ("from (s)", "to (s)", "middle of the noise (Hz)", "± (cents)", "drift (cents)",
             "strongest peak (Hz)"),
            [
                (
                    number(run["from_s"], 2),
                    number(run["to_s"], 2),
                    number(run["centroid_hz"]),
                    number(run["sd_cents"]),
                    number(run["drift_cents"], signed=True),
                    number(run["peak_hz"]),
                )
                for run in runs
            ],
        )  # fmt: skip
        if contract["knocks"]:
            knocks = ", ".join(number(at, 2) for at in contract["knocks"][:10])
            to.line(f"Knocks left out at {knocks} s.")
        for name in ("table", "picture"):
            if contract[name] is not None:
                to.line(f"{name.capitalize()}: {contract[name]}")

    return Answer(contract, say, status=1 if contract["reason"] else 0)


COMMANDS = (read, scratch)
