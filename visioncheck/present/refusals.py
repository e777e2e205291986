"""Why a photo is refused, and what to do, in one sentence for each case."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.errors import with_names
from visioncheck.present.kinds import KIND_WORDS, RUB_OUT, format_seam
from visioncheck.present.naming import NAMING, Door, as_sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from visioncheck.errors import Refusal

    Fields = Mapping[str, Any]
    Words = Callable[[Fields], str]

_SAME_ZOOM = "use the phone and zoom of the survey, or survey again at this zoom"
_HOLD_STILL = "hold it still, or rest it on a stack of books and let the self-timer release it"
_CAUSES = {
    "lens": f", as if it were seen through another lens or zoom than the survey's; {_SAME_ZOOM}",
    "hand": f", as if the phone moved while it took the photo; {_HOLD_STILL}",
    "print": (
        ", as if this were another print than the surveyed one, or the survey had been taken by an unsteady hand; use"
        " the rig of this sheet, or survey it again with the phone at rest"
    ),
    "lifted": ", as if the sheet were bent or lifted; lay it flat, as it lay when it was surveyed",
    "slipped": (", as if the sheets had moved against one another since the survey; survey them again as they lie now"),
    None: (
        ", and neither lens, hand nor sheet alone explains it; take a sharp photo of the whole sheet, evenly lit, or"
        " survey again if it is another sheet or phone than the rig's"
    ),
}
_NOT_SO_LONG = {
    "strip": "and a strip is at least twice as long as it is wide",
    "panel": "too narrow for a panel cut all round",
}


def _edge_lost(fields: Fields) -> str:
    return (
        f"the piece's {fields['side']} edge hardly differs from what lies beside it; turn the light so that no shadow"
        f" falls there, or use the other field{_check_thickness(fields)}."
    )


def _edge_soft(fields: Fields) -> str:
    return (
        f"what is seen at the piece's {fields['side']} edge is far softer than the print beside it, as a shadow's"
        " border, a stain or a rounding is and no sawn edge; turn the light so that no shadow falls there, or use the"
        f" other field{_check_thickness(fields)}."
    )


def _check_thickness(fields: Fields) -> str:
    thickness = fields.get("thickness_mm")
    return "" if thickness is None else f", or check the thickness, {thickness:.1f} mm"


def _broken_edge(fields: Fields) -> str:
    line = format_seam(fields["length_mm"], crosses=fields["crosses"])
    return (
        f"an edge of the piece cannot be followed. {line}; measure that as what it is (<piece=slot>, <piece=gap>), or"
        " lay a piece with four whole edges."
    )


def _halves(fields: Fields) -> str:
    return (
        f"{format_seam(0.0, crosses=True)}, so this is not {KIND_WORDS[fields['told']]}; measure two butted halves"
        f" together (<piece=gap>). {RUB_OUT}."
    )


def _edges(fields: Fields) -> str:
    return (
        f"{fields['count']} straight edges are seen on the piece, and {KIND_WORDS[fields['told']]} has four; if one is"
        " hidden, clear it, else measure the corner between two of them (<piece=corner>)."
    )


def _rather(why: str, fields: Fields) -> str:
    likelier = fields["likelier"]
    return (
        f"{why}; it looks like {KIND_WORDS[likelier]} (<piece={likelier}>). If it is none, see that its edges are"
        " straight and clean, or cut a fresh piece."
    )


def _shape(fields: Fields) -> str:
    size = f"the piece is {fields['long_mm']:.0f} by {fields['wide_mm']:.0f} mm"
    return _rather(f"{size}, {_NOT_SO_LONG[fields['told']]}", fields)


def _misfit(fields: Fields) -> str:
    first = ", the one at the edge named first," if fields["first_known"] else ""
    chance = _percent(fields["chance"])
    return _rather(f"no four cuts with one fence error{first} make these corners (misfit chance {chance})", fields)


def _corners(fields: Fields) -> str:
    chance = _percent(fields["chance"])
    return _rather(f"its corners are hardly those of {KIND_WORDS[fields['told']]} (chance {chance})", fields)


def _percent(chance: float) -> str:
    return f"{100 * chance:.0f} %" if chance >= 0.01 else "under 1 %"


def _miss(fields: Fields) -> str:
    return (
        f"the points miss the surveyed sheet by {fields['times']:.1f} times what they should{_CAUSES[fields['cause']]}."
    )


def _taken(fields: Fields) -> str:
    phone = fields["phone"] or "a phone without a name"
    size = f"{fields['width_px']} x {fields['height_px']} px"
    return f"taken with {phone} ({size}) on a {fields['field']} {fields['paper']} sheet"


def _several_fit(fields: Fields) -> str:
    return f"{_taken(fields)}, for which {fields['rigs']} fit alike; name its rig in a manifest."


def _none_given(fields: Fields) -> str:
    return f"{_taken(fields)}, for which no rig is given; survey this phone and sheet."


def _contradicted(fields: Fields) -> str:
    return (
        f"{_too_thick(fields)}: the {fields['what']}'s side face shows as deep as {_deep(fields)}; measure the"
        " thickness again and check that the board lies flat on the sheet."
    )


def _too_deep(fields: Fields) -> str:
    return (
        f"{_too_thick(fields)}: what lies beside the {fields['what']}'s wall would be a side face as deep as"
        f" {_deep(fields)}; measure the thickness again or, if that is a shadow on a groove's floor, turn the light."
    )


def _one_side_face(fields: Fields) -> str:
    return (
        "what is seen may be a slot, or one wall's side face in a wider groove whose floor is as light as the top face:"
        f" the phone was {fields['aside_mm']:.0f} mm aside of it; lay it within {fields['nearest_mm']:.0f} mm of the"
        " point below the phone, the thickness told."
    )


def _no_such_slot(fields: Fields) -> str:
    count = int(fields["count"])
    seen = "one slot is" if count == 1 else f"{count} slots are"
    return f"{seen} seen in the board, so <slot={fields['number']}> is none of them; count them in the picture."


def _too_thick(fields: Fields) -> str:
    return f"the thickness told, {fields['thickness_mm']:.1f} mm, contradicts the picture"


def _deep(fields: Fields) -> str:
    return f"{fields['depth_mm']:.1f} mm (± {2 * fields['depth_u_mm']:.1f} mm)"


def _narrow(fields: Fields) -> str:
    return (
        f"the {fields['what']} is only {fields['width_px']:.1f} px wide in the picture, too narrow to read both walls"
        f" apart; shoot it from {fields['nearest_mm'] / 10:.0f} cm above the work or nearer, or with a camera of more"
        " pixels."
    )


_NO_SLOT = (
    "no {} is seen in the work, no long dark line with wood on both sides; turn the light so that it does not shine"
    " into it, or shoot from nearer."
)
# by code and case; with the fields put in, or made by a function where they change the words
_SENTENCES: dict[tuple[str, str], str | Words] = {
    ("no-piece", ""): (
        "no workpiece with straight edges stands out from the sheet; lay the piece inside the band with all its corners"
        " in the picture, or use the other field (dark for pale work, light for dark work)."
    ),
    ("no-piece", "shape"): (
        "something lies on the sheet, but no two straight edges of it are seen to meet; take away what hides its edges,"
        " or lay a piece with straight edges there, well inside the sheet."
    ),
    ("covered-edge", "corner"): (
        "the piece's {side} and {other} edges are not both seen near the corner where they would meet, so one of them"
        " belongs to something that lies beside it; clear the sheet around the piece, or say which two edges to read"
        " (<edges>)"
    ),
    ("covered-edge", "two edges"): (
        "the piece's {side} edge is not one edge: it breaks by {step_mm:.2f} mm and {turn_deg:.2f}°, as where two"
        " things lie end to end or a cut was begun anew; clear the sheet around the piece, or say which two other edges"
        " to read (<edges>)"
    ),
    ("covered-edge", ""): (
        "too little of the piece's {side} edge is seen beside what lies there; clear the sheet around the piece, and"
        " take the photo again."
    ),
    ("not-bare", ""): "something lies on the sheet; take it away: a survey is of the bare sheet",
    ("mirrored", ""): "the picture is mirrored; switch off mirroring in the camera and photograph it again",
    ("no-target", ""): "no printed target is seen; photograph the whole sheet, sharp and evenly lit",
    ("few-points", "of the target"): (
        "only {count} points of the target can be read; show more of the sheet, sharper or in more even light"
    ),
    ("few-points", "surveyed"): "only {count} of the surveyed points are seen; show more of the band.",
    ("few-points", "of a sheet"): "only {count} points of a sheet are seen; show more of the band.",
    ("other-rig", "sheet"): (
        "shows a {paper} {field} sheet, but the rig was surveyed on {rig_paper} {rig_field}; use the rig file of this"
        " sheet."
    ),
    ("other-rig", "points"): "the points do not fit the rig's sheet; use the rig of this sheet and phone.",
    ("other-rig", "miss"): _miss,
    ("other-rig", "zoom"): (
        "the lens is not the one surveyed (focal length {focal_px:.0f} px, the rig's {rig_focal_px:.0f} px);"
        f" {_SAME_ZOOM}."
    ),
    ("other-rig", "moved"): f"the phone moved while it took the photo, far more than in the survey; {_HOLD_STILL}.",
    ("other-rig", "lens"): (
        f"the lens stands otherwise than in the survey, by far more than there from photo to photo; {_SAME_ZOOM}."
    ),
    ("other-rig", "size"): (
        "is {width_px} x {height_px} px, the rig is for {rig_width_px} x {rig_height_px}; use the phone and zoom of the"
        " survey, and send the photo uncropped."
    ),
    ("other-rig", "phone"): ("was taken with {phone}, the rig was surveyed with {rig_phone}; survey this phone too."),
    ("other-rig", "several fit"): _several_fit,
    ("other-rig", "none given"): _none_given,
    ("sheet-lifted", ""): (
        "the target's points are {off_mm:.1f} mm off a flat sheet; glue the sheet down flat, and take the photo as the"
        " phone saved it."
    ),
    ("seam", ""): _broken_edge,
    ("other-kind", "halves"): _halves,
    ("other-kind", "shape"): _shape,
    ("other-kind", "edges"): _edges,
    ("other-kind", "four sides"): (
        "{count} straight edges are seen on the piece, and four that meet in four corners are needed; clear what hides"
        " them, or lay a piece with four straight edges there."
    ),
    ("other-kind", "frame"): (
        "the two pieces do not meet as those of a frame of {sides} sides do; lay its last joint within the sheet, with"
        " a hand's breadth of both pieces, or mend the number of sides (<frame>)."
    ),
    ("other-kind", "misfit"): _misfit,
    ("other-kind", "corners"): _corners,
    ("glare", "sheet"): (
        "{share:.0%} of the sheet is burnt out white; move the lamp or the phone to the side, or tap on the sheet so"
        " that the phone takes it darker."
    ),
    ("glare", "piece"): "the piece's sides are lost in the glare; move the lamp or the phone to the side.",
    ("glare", "edge"): "the piece's {side} edge is lost in the glare; move the lamp or the phone to the side.",
    ("two-pieces", ""): (
        "shows two pieces; lay one piece on the sheet at a time; two butted halves are measured together (<piece=gap>)."
    ),
    ("cut-off", "piece"): "the piece is cut off by the picture's edge; step back and shoot it whole.",
    ("cut-off", "slot"): "the {what} runs off the picture; step back or move so that both of its ends are in it.",
    ("off-sheet", ""): (
        "the piece reaches over the sheet's edge; lay it within the sheet, or take a larger paper or a second sheet"
        " beside it."
    ),
    ("low-contrast", ""): _edge_lost,
    ("low-contrast", "soft"): _edge_soft,
    ("no-slot", "slot"): _NO_SLOT.format("saw slot"),
    ("no-slot", "gap"): _NO_SLOT.format("gap between two halves"),
    ("no-slot", "groove"): (
        "no groove is seen within {within_mm:.0f} mm of where the plan has {groove!r}; check <fence_edge>, or light the"
        " board from the side so that the groove lies in shade."
    ),
    ("blur", ""): (
        "the {what}'s walls are too soft to read a width; rest the phone on something, focus on the work, and send the"
        " photo as it was taken, neither made smaller nor smoothed."
    ),
    ("slot-doubtful", "two readings"): (
        "what is seen in the work may be read as a {what} in more than one way, since not all that lies beside it looks"
        " like the top face or some of it may be a shadow; light the work evenly, with nothing on it, and show one slot"
        " alone."
    ),
    ("slot-doubtful", "joints"): (
        "two joints of the frame gape alike, so nothing tells which is the last; clamp all others tight, or lay the"
        " sheet under the last joint alone."
    ),
    ("slot-doubtful", "several"): (
        "{count} slots, or lines as dark and straight, are seen in the board, and nothing tells which of them to"
        " measure; say <slot>, counted from the left of the picture, or from the top where they lie one below the"
        " other, or measure grooves by their plan."
    ),
    ("slot-doubtful", "number"): _no_such_slot,
    ("slot-doubtful", "side face"): _one_side_face,
    ("slot-doubtful", "too deep"): _too_deep,
    ("thickness-contradicted", ""): _contradicted,
    ("arris-doubtful", ""): (
        "a strip of floor or side face hides between the {what}'s walls, too thin to be told from the wood; shoot from"
        " a few centimetres more to one side of it, or with something dark under the work."
    ),
    ("narrow-slot", ""): _narrow,
}


def refusal_sentence(refusal: Refusal, door: Door = "command") -> str:
    """Say why a photo is refused; the page, which shows one photo at a time, does not name it."""
    words = _SENTENCES[refusal.code, refusal.case]
    if isinstance(words, str):
        sentence = with_names(words, NAMING[door]).format_map(refusal.fields)
    else:
        sentence = with_names(words(refusal.fields), NAMING[door])
    return as_sentence(sentence if door == "page" else f"{refusal.photo}: {sentence}", door)
