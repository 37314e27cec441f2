"""The plain words of a report: method, limits, cautions, and what is not known."""

from __future__ import annotations

from collections.abc import Collection

from rig.model.plate_facts import PlateFacts
from rig.model.tone_map import ReadingKind, ToneMap
from rig.report.words import cents

CAUTIONS = (
    "Taking wood off cannot be undone. Measure the thickness at the place first, keep to your own "
    "least thickness, take off little, and scan again before you go on.",
    "The map shows where a place sounds higher than its target. It cannot tell a thick place from "
    "a stiff one, and it does not say that evening it will make a better instrument.",
    "Gouges, scrapers and planes are sharp: fix the plate, cut away from the body, keep both hands "
    "behind the edge.",
    "Fine wood dust, maple's above all, harms lungs and may cause allergy and cancer: use "
    "extraction at the tool and a fitting mask, and do not blow dust off.",
    "Old instruments, and any whose making or value you are not sure of, are not to be altered on "
    "the strength of this report.",
    "Where local rules for workshops, machines, dust or protected woods ask for more than is said "
    "here, they come first.",
)

METHODS: dict[ReadingKind, tuple[str, ...]] = {
    "local": (
        "The plate was tapped on a grid, each tap recorded with the same microphone in the same "
        "place. One tap alone hears the whole plate; all taps together show how bending waves run "
        "at each place. The local tone is the frequency at which a bending wave 50 mm long would "
        "run there. It goes with thickness times the square root of stiffness over density: ten "
        "per cent more thickness raises it by 165 cents (100 cents are one semitone).",
        "Only differences within one scan are claimed; they are given in cents against the scan's "
        "own middle value.",
    ),
    "attack": (
        "Each place was struck and its first 20 milliseconds read: the value is the centre of "
        "loudness on the ear's own scale of pitch, which is what a listener calls higher or lower. "
        "It is strongly shaped by the whole plate and by the distance to the edge, and is no "
        "measure of thickness.",
    ),
    "contact": (
        "Each place was struck and the width of the force pulse read from the pickup on the "
        "hammer: a stiffer place throws the hammer back sooner.",
    ),
    "rebound": (
        "Each place was struck and the speed of the hammer measured before and after the blow: the "
        "loss tells how easily the plate moves at that very place.",
    ),
}

LIMITS: dict[ReadingKind, tuple[str, ...]] = {
    "local": (
        "Details smaller than about 15 mm across the grain and 25 mm along it cannot be seen at "
        "all: half a bending wave at the highest frequencies used.",
        "Within about 16 mm of a free edge the values are less sure.",
    ),
    "attack": (
        "Single places scatter by 10 to 20 cents from strike to strike.",
        "High places in this reading need not be thick places; they can be the opposite.",
    ),
    "contact": ("The surface under the hammer's tip counts as well as the plate.",),
    "rebound": ("Within about 20 mm of the edge, and on very thin plates, the values are poor.",),
}

TARGETS = {
    "flat": "The target is flat: the same value everywhere. What stands above it is called high.",
    "smooth graduation": (
        "The target is a smooth graduation fitted to the map itself: a plate that is thicker in "
        "the middle is not called high there. A high zone is what stands above its surroundings."
    ),
    "mirror side": (
        "The target is the mirror side: the tone at the same height on the other side of the "
        "centre line, with the doubt of both sides joined. Taps whose mirror place is off the "
        "tapped wood are held against nothing."
    ),
    "other face": (
        "The target is the other face: its tone at the same spot, the levels of the two scans "
        "matched by the median."
    ),
    "earlier scan": (
        "The target is an earlier scan of the same face, the levels of the two scans matched by "
        "the median."
    ),
    "drawn profile": (
        "The target is a drawn profile, carried smoothly from the drawn places over the plate; "
        "only its differences count."
    ),
}

ZONES = (
    "A high zone is a connected region whose tone is above the target by more than its "
    "uncertainty allows to be chance. The work order begins at the starting spot near the middle "
    "and goes outwards. Regions that chance could explain are not listed, so an empty list does "
    "not prove that a plate is even."
)

SIMULATED = (
    "SIMULATED: the scans in this report were made on the virtual rig. The plate exists as a "
    "computer model only, and nothing here was measured on wood."
)

SIMULATED_BRIEFLY = "SIMULATED: a plate of the virtual rig; nothing was measured on wood."

_FACT_WORDS = (
    ("instrument", "instrument"),
    ("wood", "wood"),
    ("mass_g", "mass"),
    ("mean_thickness_mm", "mean thickness"),
    ("arching_mm", "arching"),
    ("temperature_c", "temperature"),
    ("humidity_percent", "humidity"),
)


def unknown_facts(plate: PlateFacts, measured: Collection[str] = ()) -> str:
    """One sentence on what was not told about the plate; empty when all is known.

    measured: names of facts that the scans themselves know, such as temperature_c.
    """
    missing = [
        words
        for name, words in _FACT_WORDS
        if getattr(plate, name) is None
        and name not in measured
        and not (name == "arching_mm" and plate.arch_heights_mm is not None)
    ]
    if not missing:
        return ""
    return f"Not known for this plate: {', '.join(missing)}."


def evenness_sentence(tone_map: ToneMap) -> str:
    """Evenness beside the repeatability it stands against."""
    spread = (
        f"Evenness (spread from 5 % to 95 % of the map): {cents(tone_map.evenness_cents)}, "
        f"90 % sure to lie between {tone_map.evenness_low_cents:.0f} and "
        f"{tone_map.evenness_high_cents:.0f}."
    )
    if tone_map.target == "smooth graduation":
        spread += " This holds the plate's own graduation from the middle to the edge."
    if tone_map.repeatability_cents is None:
        return f"{spread} How well a second scan would agree is not known."
    return (
        f"{spread} Two scans of the untouched plate would differ by about "
        f"{cents(tone_map.repeatability_cents)} at a place."
    )


def verdict_sentence(tone_map: ToneMap) -> str:
    """Whether the estimator's result may be believed."""
    words = {
        "good": "The estimator's own check calls this map good",
        "use with care": "The estimator's own check says: use this map with care",
        "refused": "The estimator's own check refuses this map: do not work by it",
    }[tone_map.verdict]
    misfit = "" if tone_map.misfit is None else f" (misfit {tone_map.misfit:.1f}, 1 is ideal)"
    return f"{words}{misfit}."


BENCH_CAUTIONS = (
    "Wood that is off cannot be put back: measure the thickness at the place before every pass. "
    "The map cannot tell thick wood from stiff wood; your hand and ear decide.",
    "Cut away from the body; catch the dust at the tool and wear a mask. Local rules come first.",
)

STOP_RULES = (
    "Nowhere below your own least thickness, whatever the map says. Keep the shavings few: one "
    "pass, then the caliper.",
    "Scan again after each pass, with the plate held and the air as before; stop altogether when "
    "no zone is left or the evenness no longer falls by more than it repeats.",
)

FOR_OWNERS = (
    "The plate was tapped at many places by a small hammer, always with the same force, and a "
    "microphone heard every tap. Orange-brown is where the wood sounds higher than the plate's "
    "own middle, blue where it sounds lower; the lines join places of equal tone, and their "
    "numbers are cents: 100 cents are one semitone.",
    "A change counts only where it is larger than what two scans of an untouched plate differ by "
    "of themselves. Warmth and damp move the notes of wood too: compare scans made in like air.",
    "This record describes a plate's state. It is no valuation, no proof of who made it, and it "
    "does not say that the instrument sounds better or worse.",
)

HIGHER_IS_THICKER = (
    "Higher means thicker or stiffer wood, lower means thinner or softer; sound alone cannot tell "
    "which. The plate's middle is thicker than its edge on purpose, so no plate is one colour."
)

FOR_CLASSES = (
    (
        "What was done",
        (
            "A violin's body has a top plate and a back plate, each carved from wood a few "
            "millimetres thick. Makers tap a plate and listen: where it is thicker or stiffer the "
            "tap sounds higher. Here a small machine did the tapping, with the same force "
            "everywhere, and a microphone and a computer did the listening.",
        ),
    ),
    (
        "What “higher” and “lower” mean",
        (
            "A sound is higher when it swings faster. Pitch is counted in hertz (swings in one "
            "second), and the step between two pitches in cents: 100 cents are a semitone, 1200 "
            "are an octave, in which the swings double.",
            "A plate is thicker in the middle than at the edge on purpose. So the map compares "
            "each place with its target, a value that suits its surroundings: orange-brown with a "
            "plus sign is higher than the target, blue with a minus sign is lower. The lines join "
            "places that stand equally high above it, just as the lines of a walking map join "
            "places of equal height. What surely stands out is outlined: the high zones.",
            "Try it: hold a thick and a thin strip of the same wood loosely near one end and tap "
            "them. The thick one sounds higher.",
        ),
    ),
    (
        "Why a maker wants to know",
        (
            "The maker takes a little wood off where the plate still sounds too high for its "
            "surroundings, taps again, and goes on until it runs smoothly. Wood that is off cannot "
            "be put back, so the maker must know how sure the map is: the number after ± says by "
            "how much a value may well be wrong.",
        ),
    ),
)

NOT_THICKNESS = (
    "The map of this scan shows what the ear takes first from each tap. It is shaped by the whole "
    "plate and by the distance to the edge, so a high place need not be a thick one."
)

CLASS_QUESTIONS = (
    "Why must the microphone and the hammer stay the same for all taps?",
    "The wood at a high place may be thicker, or stiffer. How could you find out which?",
    "Why does the maker take off only a little and then tap all over again?",
)

CLASS_ANSWERS = (
    "Anything else that changes from tap to tap would look like a difference of the wood.",
    "Measure the thickness with a caliper: sound alone cannot tell thick wood from stiff wood.",
    "Taking wood off cannot be undone, and it changes the sound of places round about as well.",
)
