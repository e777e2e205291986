"""The quality flags in words: what may be doubtful about a reading, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass

from visioncheck.codes import Doubt
from visioncheck.errors import with_names
from visioncheck.flags import FlagCode
from visioncheck.present.naming import NAMING, Door


@dataclass(frozen=True, slots=True)
class Flag:
    """One thing that a photo may suffer from.

    Attributes
    ----------
    code : FlagCode
        See `visioncheck.flags`.
    name : str
        In two or three words.
    sentence : str
        What was seen.
    remedy : str
        What to do about it, parameters in angle brackets (`errors.with_names`).
    told : str
        What was seen, with the doubt's fields in it, where it has them; empty: the sentence does.
    """

    code: FlagCode
    name: str
    sentence: str
    remedy: str
    told: str = ""


_ALL = (
    Flag(
        "blur",
        "blurred",
        "The picture is not sharp.",
        "Rest the phone on something, more light, focus on the sheet.",
        "The picture is not sharp: the print's edges are blurred over {blur_px:.1f} px.",
    ),
    Flag(
        "glare",
        "glare",
        "Part of the sheet is burnt out white.",
        "Move the lamp or the phone to the side, or tap on the sheet so that the phone takes it darker.",
        "{share:.0%} of the sheet is burnt out white.",
    ),
    Flag(
        "low-contrast",
        "faint edge",
        "An edge hardly differs from what lies beside it.",
        "Use the other field (light or dark) or turn the light.",
        "Hardly different from what lies beside: the piece's {edges}.",
    ),
    Flag(
        "short-edge",
        "short edge",
        "An edge is short, so its direction is less certain.",
        "Cut a longer test piece.",
        "Short, so of less certain direction: the piece's {edges} ({length_mm:.0f} mm).",
    ),
    Flag(
        "curved-edge",
        "curved edge",
        "An edge is not straight; its angle depends on where it is taken.",
        "Joint that edge, or find out why the cut wanders, and cut again.",
        "Not straight, so the angle depends on where it is taken: the piece's {edges} (bow {bow_mm:.2f} mm).",
    ),
    Flag(
        "torn-edge",
        "torn edge",
        "Much of an edge is torn out or covered.",
        "Brush the edge, turn the clean face up, or cut again with a backing board.",
        "Torn out or covered: {torn:.0%} of the piece's {edges}.",
    ),
    Flag(
        "covered-edge",
        "covered edge",
        "Something lies against the piece or over its edge; that stretch is left out.",
        "Clear the sheet around the piece, and take the photo again.",
        "Something lies at the piece's {edges}; that stretch is left out.",
    ),
    Flag(
        "few-points",
        "few target points",
        "Few points of the printed target are seen.",
        "Step back and lay the piece so that the band is free on three sides.",
        "Only {count} points of the printed target are seen.",
    ),
    Flag(
        "tilt",
        "steep view",
        "The camera looked at the sheet at a steep angle.",
        "Shoot from nearly above.",
        "The camera looked at the sheet at a steep angle, {tilt_deg:.0f}° from straight above.",
    ),
    Flag(
        "sheet-lifted",
        "sheet not flat",
        "The printed points do not fit a flat sheet, or the sheet as surveyed.",
        "Glue the sheet down flat; survey again if it was moved or replaced.",
        "The printed points are {lifted_mm:.1f} mm off a flat sheet, or off the sheet as surveyed.",
    ),
    Flag(
        "lens-moved",
        "lens changed",
        "The lens, or how the phone was held, differs from the survey more than it did from photo to photo there.",
        "Use the zoom of the survey and hold the phone still, or survey again as you take photos now.",
    ),
    Flag(
        "thickness-doubtful",
        "thickness unknown",
        "The thickness is not well known, so widths are less certain.",
        "Stick a piece tag on, or say <thickness>.",
    ),
    Flag(
        "tag-contradicts",
        "tag contradicts",
        "The tag's size does not agree with the thickness that you gave.",
        "Measure the thickness again; print the tags at 100 %.",
        "By the tag's size the piece is {read_mm:.1f} mm thick, and you gave {told_mm:.1f} mm.",
    ),
    Flag(
        "closure",
        "misfit of the panel",
        "The four corners do not fit four cuts with one fence error.",
        "Check which edge was cut first and that every edge is straight, or cut a fresh panel.",
        "The four corners do not fit four cuts with one fence error (misfit chance {chance:.1%}).",
    ),
    Flag(
        "kind-doubtful",
        "doubtful kind",
        "The corners fit another kind of piece better than the one that you named.",
        "Check what kind of piece it is; the ± allows for either.",
    ),
    Flag(
        "other-kind",
        "another kind",
        "The piece is not of the kind that you named.",
        "Name the kind that it is, or cut a fresh piece.",
    ),
    Flag(
        "outer-side",
        "uncut outer side",
        "The strip's outer side is no cut of this fence, so how square the board was comes in; the ± allows for it.",
        "Cut on once round the panel: then the strip hangs on no side of the board.",
        "The strip's outer side is no cut of this fence: it carries the error {most} times if the board was"
        " square before, one time less if that side was made true to the first cut, and the ± covers both.",
    ),
    Flag(
        "seam",
        "line through the piece",
        "A straight line runs into the piece, as a slot or the gap between two halves does.",
        "Measure a slot with <piece=slot>, butted halves with <piece=gap>; a drawn line does no harm.",
    ),
    Flag(
        "no-rig",
        "no survey",
        "Phone and print are not surveyed, so the print's own errors go into the angle.",
        "Take 6 to 12 photos of the bare sheet, run visioncheck survey, and give its file with <rig>.",
    ),
    Flag(
        "arris-doubtful",
        "doubtful arris",
        "Top and bottom arris of an edge lie close together in the picture.",
        "Shoot from nearly above the piece, or move the light.",
    ),
    Flag(
        "no-target",
        "no target",
        "No printed target is seen.",
        "Get the whole sheet into the picture, sharp and evenly lit.",
    ),
    Flag(
        "mirrored",
        "mirrored",
        "The picture is mirrored.",
        "Switch off the mirroring of the camera; use the back camera.",
    ),
    Flag(
        "no-piece",
        "no piece",
        "No workpiece is seen on the sheet.",
        "Lay it within the band, on the field that it differs from.",
    ),
    Flag("two-pieces", "two pieces", "More than one workpiece lies on the sheet.", "Lay one piece at a time."),
    Flag(
        "off-sheet",
        "over the edge",
        "The piece reaches over the sheet's edge.",
        "Lay it within the sheet, or take a larger paper or a second sheet beside it.",
    ),
    Flag("cut-off", "cut off", "The piece reaches out of the picture.", "Step back and shoot it whole."),
    Flag(
        "no-slot",
        "no slot",
        "No slot or gap is seen in the work.",
        "Turn the light so that it does not shine into it, or shoot from nearer.",
    ),
    Flag("narrow-slot", "narrow slot", "The slot covers too few pixels.", "Shoot it from nearer."),
    Flag(
        "slot-doubtful",
        "doubtful slot",
        "What is seen may be read as a slot in more than one way.",
        "Light the work evenly, with nothing on it, and show one slot alone.",
    ),
    Flag(
        "thickness-contradicted",
        "thickness contradicted",
        "What shows of a wall's side face does not agree with the thickness that you gave.",
        "Measure the thickness again, and lay the work flat on the sheet.",
    ),
    Flag(
        "other-rig",
        "another rig",
        "The photo does not belong to the survey.",
        "Survey this phone, zoom and sheet, or give the right file.",
    ),
    Flag(
        "not-bare",
        "not bare",
        "Something lies on the sheet.",
        "A survey is of the bare sheet: take everything away from it and photograph it again.",
    ),
)

FLAGS: dict[str, Flag] = {each.code: each for each in _ALL}
_ON_THE_PAGE = {
    "no-rig": "Survey this phone and sheet, from the start of this page; or take a second photo, the piece turned.",
    "other-rig": "Survey this phone, zoom and sheet, or choose another survey for this photo.",
    "seam": "Measure a slot or two butted halves as such; a drawn line does no harm.",
    "thickness-doubtful": "Stick a piece tag on, or say the thickness with the next photo.",
}
"""Where the remedy names a command or option, the page has its own."""


def format_doubt(doubt: Doubt) -> str:
    """Say what was seen, as closely as the doubt's fields tell it."""
    flag, fields = FLAGS[doubt.code], dict(doubt.fields)
    if not flag.told or not fields:
        return flag.sentence
    return flag.told.format(**fields, edges=_edges(str(fields.get("sides", ""))))


def _edges(sides: str) -> str:
    each = sides.split()
    return f"{' and '.join(each)} {'edge' if len(each) == 1 else 'edges'}"


def remedy(code: str, door: Door = "command") -> str:
    """Say what to do about a flag.

    Raises
    ------
    KeyError
        There is no such flag.
    """
    own = _ON_THE_PAGE.get(code) if door == "page" else None
    return own or with_names(FLAGS[code].remedy, NAMING[door])
