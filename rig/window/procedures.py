"""The procedures of calibration: what each is for, what to do, what to fill in."""

from __future__ import annotations

from dataclasses import dataclass

from rig.window.words import tr


@dataclass(frozen=True)
class Entry:
    """One thing to fill in. kind: file, files, number, text or choice; limits only for numbers."""

    name: str
    kind: str
    label: str
    default: str = ""
    low: float = 0.0
    high: float = 0.0
    choices: tuple[tuple[str, str], ...] = ()
    optional: bool = False
    pattern: str = ""


@dataclass(frozen=True)
class Procedure:
    """A kind of calibration. more: further buttons as (name, text)."""

    kind: str
    title: str
    why: str
    steps: tuple[str, ...]
    entries: tuple[Entry, ...]
    go: str
    more: tuple[tuple[str, str], ...] = ()
    needs_rig_file: str = ""  # why the virtual rig will not do; empty: it will
    needs_plate: bool = False


def procedures() -> tuple[Procedure, ...]:
    """All of them, in the order in which a new rig needs them."""
    pictures = tr("Pictures (*.png *.jpg *.jpeg)")
    sounds = tr("Recordings (*.wav *.flac)")
    tables = tr("Tables (*.csv)")
    return (
        Procedure(
            "lens", tr("Camera lens"),
            tr("Every lens bends straight lines. Unless that is known, the plate is found a "
               "millimetre or two off near the border of the picture."),
            (tr("Print the sheet at 100 % on matte paper, measure both rulers, glue it flat on a "
                "board."),
             tr("Take a dozen pictures: the sheet near, tilted to all four sides, and in every "
                "corner of the picture."),
             tr("Give the pictures, or have them taken now: it says what is still lacking.")),
            (Entry("pictures", "files", tr("Pictures of the sheet"), pattern=pictures),
             Entry("paper", "choice", tr("Paper"),
                   choices=(("A4", "a4"), (tr("Letter"), "letter")))),
            tr("Calibrate from these pictures"),
            (("sheet", tr("Write the sheet as a PDF…")), ("capture", tr("Take the pictures now"))),
        ),
        Procedure(
            "gantry", tr("Gantry"),
            tr("The screws and rails of a gantry are never quite true: scale, right angle, play. "
               "The hammer marks a sheet, and the camera sees where the dots truly lie."),
            (tr("Tape inked or carbon paper flat to the bed, clear of the markers."),
             tr("Have the dots marked. The gantry homes, then strikes each dot from four sides."),
             tr("Take a picture of the sheet without moving it, and give it here.")),
            (Entry("picture", "file", tr("Picture of the sheet"), pattern=pictures),
             Entry("paper_mm", "number", tr("Height of the paper, mm"), "0.1", 0.0, 20.0)),
            tr("Read the dots"),
            (("markers", tr("Write the bed's markers as a PDF…")),
             ("mark", tr("Mark the dots…"))),
            tr("The virtual gantry marks no paper; choose the rig file of a real one."),
        ),
        Procedure(
            "tapper", tr("Hammer"),
            tr("How hard the hammer strikes for how long a pulse, where it does not arrive, and "
               "where it strikes twice. From that come the pulses for light and firm."),
            (tr("Strike a scrap of the same wood with pulses from short to long, six times each, "
                "in mixed order."),
             tr("Note for each strike the pulse and the speed (or the level), and whether it "
                "struck twice."),
             tr("Give the table: pulse_us, speed_m_s (or level_db), double.")),
            (Entry("table", "file", tr("Table of strikes"), pattern=tables),),
            tr("Find the pulses"),
        ),
        Procedure(
            "sound", tr("Sound"),
            tr("What microphone, cable and sound box add of their own: noise, hum, and a clock "
               "that runs a little fast or slow and shifts every pitch."),
            (tr("Record some seconds in which nobody strikes or speaks."),
             tr("Record three seconds or more of a steady tone whose pitch is known, such as a "
                "tuning fork near the microphone."),
             tr("Give one recording or both, and the pitch of the tone.")),
            (Entry("silence", "file", tr("Recording of silence"), pattern=sounds, optional=True),
             Entry("tone", "file", tr("Recording of the tone"), pattern=sounds, optional=True),
             Entry("reference_hz", "number", tr("Pitch of the tone, Hz"), "", 20.0, 40_000.0,
                   optional=True)),
            tr("Read the recordings"),
        ),
        Procedure(
            "bar", tr("Reference bar"),
            tr("The same bar tapped every day shows at once whether anything of the rig has "
               "changed: its tone stays, whatever plates come and go."),
            (tr("Lay the bar on two soft supports, about a fifth of its length from either end."),
             tr("Tap its middle and record it. Write its sizes the same every day."),
             tr("Out of limits? Look at the supports, the warmth of the room and the sample rate "
                "before you scan.")),
            (Entry("recording", "file", tr("Recording of the bar"), pattern=sounds),
             Entry("length", "number", tr("Length, mm"), "", 20.0, 2000.0),
             Entry("width", "number", tr("Width, mm"), "", 1.0, 500.0),
             Entry("thickness", "number", tr("Thickness, mm"), "", 0.5, 100.0),
             Entry("mass", "number", tr("Mass, g"), "", 1.0, 50_000.0)),
            tr("Judge today's tap"),
        ),
        Procedure(
            "repeatability", tr("Repeatability"),
            tr("How large a difference between two scans must be before it means anything. It "
               "needs several scans of one plate on which nobody worked in between."),
            (tr("Scan the open plate four times or more, and lay it on the bed anew each time."),
             tr("Where two people or two days are to be told apart, label the scans: S0001=Ida, "
                "S0002=Ida, S0003=Max."),
             tr("Study them: all finished scans of the latest face and strength are taken.")),
            (Entry("labels", "text", tr("Labels, if any"), optional=True),),
            tr("Study the scans"), needs_plate=True,
        ),
    )  # fmt: skip
