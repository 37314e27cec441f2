"""Verbs on the plate folder: new, gather, export."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.answer import MOST_LISTED, PICTURE, SIMULATED_LINE, Answer, Speaker, command, count
from rig.cli.verb import FACE, FILE, FOLDER, contract_of, folder_argument, scan_option, verb
from rig.cli.verbs import job

FORMS = ("tap-set", "universal", "shapes", "template")


@verb(
    "new",
    "Begin a plate folder.",
    example="platerig new maple-back.plate --outline outline.csv --wood maple --arching 15",
)
@folder_argument
@click.option(
    "--outline", "outline_file", type=FILE, help="CSV with x_mm,y_mm round the rim; or SVG, DXF."
)
@click.option("--name", help="Name of the plate; the folder's own name if left out.")
@click.option("--wood", help="maple, spruce, …")
@click.option("--instrument", help="violin, viola, cello, …")
@click.option("--mass", "mass_g", type=click.FloatRange(min=0, min_open=True), metavar="GRAMS")
@click.option(
    "--thickness", "mean_thickness_mm", type=click.FloatRange(min=0, min_open=True), metavar="MM"
)
@click.option(
    "--arching",
    "arching_mm",
    type=click.FloatRange(min=0),
    metavar="MM",
    help="Height of the crown above the rim.",
)
@click.option(
    "--heights",
    "heights_file",
    type=FILE,
    help="CSV with x_mm,y_mm,height_mm: measured heights of the outer surface above the rim.",
)
@click.option(
    "--bar",
    "bars",
    multiple=True,
    metavar="X1,Y1,X2,Y2,HEIGHT,WIDTH",
    help="A bar glued inside, in mm; its height may be 3/11/3 from end to end. Once for each bar.",
)
@click.option("--temperature", "temperature_c", type=float, metavar="CELSIUS")
@click.option("--humidity", "humidity_percent", type=click.FloatRange(0, 100), metavar="PERCENT")
@click.option("--reference", help="Your own mark for this plate.")
@click.option("--notes", help="Anything worth remembering.")
def new(folder: Path, progress: Any, machine: bool, **facts: Any) -> Answer:
    """Begin a plate folder, which keeps everything ever recorded on one plate.

    Without an outline one is taken from the first picture or tap set. Whatever you leave out is
    kept as unknown.
    """
    del machine
    given = {name: value for name, value in facts.items() if value not in (None, ())}
    contract = contract_of(job("new")(folder, progress=progress, **given))

    def say(to: Speaker) -> None:
        to.line(f"Plate folder ready: {contract['plate']}")
        if "arch_heights_mm" in contract:
            to.line(f"The arch is known at {count(len(contract['arch_heights_mm']), 'place')}.")
        if "bars" in contract:
            to.line(f"{count(len(contract['bars']), 'bar')} glued inside.")
        if "outline_file" not in given:
            to.line("It has no outline yet; one is taken from the first picture or tap set.")
        to.line(command("Next", "scan", folder, "--rig", "rig.toml"))
        to.line(command("  or", "scan", folder, "--virtual", "maple-graded"))
        to.line(command("  or", "gather", "DIR", folder))

    return Answer(contract, say)


@verb(
    "gather",
    "Take recordings made by hand into a folder.",
    example="platerig gather my-recordings maple-back.plate",
)
@click.argument("directory", metavar="DIR", type=FOLDER)
@folder_argument
@click.option("--again", is_flag=True, help="Take in recordings that the folder has already.")
def gather(directory: Path, folder: Path, again: bool, progress: Any, machine: bool) -> Answer:
    """Take a directory of recordings made by hand into a plate folder, as one scan.

    DIR holds the sound files (WAV or FLAC, one tap each, all at one sample rate) and taps.csv:

    \b
      x_mm,y_mm,face,strength,file
      0,175,outer,light,middle.wav
      -42.5,88,outer,light,lower left.wav

    x counts from the centre line to the right, y from the lower end up, in millimetres, seen
    from the outer face with the neck end up. face is outer or inner, strength light or firm.
    Further columns if you have them: repeat, mic_channel, pickup_channel (counted from 0),
    strike_speed_m_s, rebound_ratio. The tap may lie anywhere in its recording.

    Optional: outline.csv (x_mm,y_mm round the rim), heights.csv (x_mm,y_mm,height_mm: measured
    heights of the outer surface above the rim) and plate.toml (name, wood, mass_g,
    mean_thickness_mm, arching_mm, temperature_c, humidity_percent, notes, and bars glued inside:
    bars = ["-17,55,-21,320,3/11/3,5.5"], each x1,y1,x2,y2,height,width).

    DIR may be a universal file instead (NAME.uff, NAME.unv) with time histories (dataset 58) and
    their nodes (dataset 15).
    """
    del machine
    contract = contract_of(job("gather")(directory, folder, progress=progress, again=again))
    rejected = contract["rejected"]

    def say(to: Speaker) -> None:
        taps, strikes = count(contract["taps"], "tap"), count(contract["strikes"], "strike")
        scans = contract.get("scans") or []
        if scans:
            name = f"Scan {scans[0]}" if len(scans) == 1 else f"Scans {', '.join(scans)}"
            to.line(f"{name}: {taps}, {strikes} stored in {folder}.")
            if len(scans) > 1:
                to.line("  There is one scan for every face and strength.")
        else:
            to.line(f"No recording in {directory} could be used; nothing was stored.")
        for one in rejected[:MOST_LISTED]:
            to.line(f"  left out: {one['file']}: {one['reason']}")
        if len(rejected) > MOST_LISTED:
            to.line(f"  left out: {len(rejected) - MOST_LISTED} more (--json lists all)")
        for caution in contract.get("cautions", []):
            to.line(f"  {caution}")
        if scans:
            to.line(command("Next", "map", folder, "--scan", scans[0], *PICTURE))
        else:
            to.line("What to do: mend taps.csv or the recordings as told above, then gather again.")

    return Answer(contract, say, status=0 if contract["strikes"] else 1)


@verb(
    "export",
    "Write a scan out for other programs.",
    example="platerig export maple-back.plate exported --scan S0001\n"
    "platerig export maple-back.plate template --as template --seen-from inner",
)
@folder_argument
@click.argument("out_dir", metavar="OUT_DIR", type=FOLDER)
@scan_option()
@click.option(
    "--as",
    "forms",
    multiple=True,
    type=click.Choice([*FORMS, "all"]),
    help="What to write; may be given several times. tap-set if left out.",
)
@click.option(
    "--sound",
    type=click.Choice(["wav", "flac"]),
    default="wav",
    show_default=True,
    help="Kind of recordings in the tap set.",
)
@click.option(
    "--seen-from",
    type=FACE,
    default="outer",
    show_default=True,
    help="The face that the template is laid on; from the inner one it is mirrored.",
)
def export(
    folder: Path,
    out_dir: Path,
    scan: str | None,
    forms: tuple[str, ...],
    sound: str,
    seen_from: str,
    progress: Any,
    machine: bool,
) -> Answer:
    """Write a scan out in forms that other programs read.

    \b
      tap-set    CSV tables described by datapackage.json, and the recordings
      universal  a universal file: nodes (15), mode shapes and tones (55), recordings (58)
      shapes     outline, high zones and contours as JSON, in mm of the plate frame
      template   the same at true size for paper or laser: template.svg, template.dxf

    `platerig gather` takes the tap set or the universal file back, sample by sample.
    """
    del machine
    wanted = FORMS if "all" in forms else forms or FORMS[:1]
    contract = contract_of(
        job("export")(
            folder, out_dir, scan, progress=progress, forms=wanted, sound=sound, seen_from=seen_from
        )
    )

    def say(to: Speaker) -> None:
        if contract.get("simulated"):
            to.line(SIMULATED_LINE)
        to.line(f"Written to {out_dir}:")
        for name in contract.get("files", []):
            to.line(f"  {name}")
        to.lines(contract.get("notes", []))

    return Answer(contract, say)


COMMANDS = (new, gather, export)
