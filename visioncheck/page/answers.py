"""A log entry made ready for a phone: what to do first and large, why below it, and what is still to be told."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from visioncheck.correction.correct import correct
from visioncheck.fence.straightness import FenceBow
from visioncheck.log.now import now_from_entries
from visioncheck.log.standing import SUPERSEDED, Standing, find_standing
from visioncheck.page.forms import Form, form_from_reading
from visioncheck.page.summaries import sled_of_entry
from visioncheck.present.assumed import assumed_lines
from visioncheck.present.bevel import tilt_lines
from visioncheck.present.cautions import CAUTIONS
from visioncheck.present.close_up import edges_to_show
from visioncheck.present.correction import format_advice, format_means, with_range
from visioncheck.present.flags import format_doubt, remedy
from visioncheck.present.lengths import format_lengths
from visioncheck.present.line import LabelledLine
from visioncheck.present.now import basis_now, together_lines
from visioncheck.present.questions import format_reason, note_line
from visioncheck.present.reading import degrees
from visioncheck.present.slot import fine_length, gap_lines
from visioncheck.present.straight import reading_of_two_cuts, straight_lines
from visioncheck.present.travel import travel_lines
from visioncheck.present.typed import format_inputs
from visioncheck.present.verdict import ShownVerdict, verdict_view
from visioncheck.results.basis import basis_of_json
from visioncheck.results.from_json import quantity_from_json, reading_from_json, travel_from_json
from visioncheck.results.model import blade_heel, blade_tilt, fence_bow, middle_width, notes_on, seen_doubts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.correction.correct import Correction
    from visioncheck.correction.learned import Learned
    from visioncheck.fence.next_step import Basis
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log
    from visioncheck.quantity import Quantity
    from visioncheck.reading.model import Reading
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld

_SAID_LARGE = {"Verdict", "Do", "Move", "With", "How", "Fence", "Size", "Tell me", "Doubt"}


@dataclass(frozen=True, slots=True)
class Answer:
    """What one screen says of one reading.

    Attributes
    ----------
    act : tuple of str
        What to do, to be read at arm's length; the first line the most important.
    aside : str
        What to go by in place of a reading that asks for something and orders nothing; else empty.
    out : str
        How far the fence is out, and which way; empty where that is not known.
    how : str
        How to make the move; empty where there is none.
    newer : str or None
        Id of the entry that counts in place of this one.
    lines : tuple of LabelledLine
        How far out, what to expect after, how it was read.
    doubts : tuple of tuple
        Each with what was seen, and what to do better.
    picture : str or None
        The annotated picture in words; None: there is none.
    close_ups : tuple of tuple
        Of each edge that is shown close up its number and what it is.
    counts : bool
        Whether it is this reading that says what to do now.
    """

    id: str
    sled: str
    when: str
    verdict: ShownVerdict
    act: tuple[str, ...]
    aside: str
    out: str
    how: str
    newer: str | None
    lines: tuple[LabelledLine, ...]
    doubts: tuple[tuple[str, str], ...]
    question: Form | None
    picture: str | None
    is_photo: bool
    is_turned: bool
    is_straight: bool
    is_slot: bool
    is_pair: bool
    corrected_by: str | None
    cautions: tuple[str, ...]
    close_ups: tuple[tuple[int, str], ...]
    counts: bool


def answer_from_entry(log: Log, entry: Entry, units: UnitWorld | None) -> Answer:
    """Say what an entry of the log says, in these units (None: the sled's own)."""
    sled = sled_of_entry(log, entry, units)
    found = entry.reading
    error, doubts = entry.fence_error, seen_doubts(entry.result)
    size = quantity_from_json(found.get("fence_error_size_deg"), "deg")
    entries = list(log.entries(sled=entry.sled))
    standing = find_standing(entry, entries)
    basis, learned, together = basis_of_json(found), None, list[LabelledLine]()
    if standing.counts and error is not None and sled is not None:
        # the newest reading says what to do, by all since the sled was changed together
        now = now_from_entries(entry.sled, entries, sled)
        if now.state is not None:
            error, basis, learned = now.state.error, basis_now(now) or basis, now.learned
            together = together_lines(now)
    correction = correct(error, sled, basis, learned) if error is not None and sled is not None else None
    # doubts are said in the page's own words below
    verdict = _verdict(standing, error, sled, size, basis, learned)
    said = {line.label: line.text for line in verdict.lines}
    moves = correction is not None and correction.moves and standing.counts
    reading = reading_from_json(found)
    question = form_from_reading(found)
    superseded = "" if standing.counts else _capital(SUPERSEDED[standing.state])
    # what a photo still lacks can be told also when it orders nothing: for the chart, and the next one
    asks = question is not None and standing.state != "corrected"
    return Answer(
        id=entry.id,
        sled=entry.sled,
        when=f"{entry.time.astimezone():%Y-%m-%d %H:%M}",
        verdict=replace(verdict, lines=()),
        act=_act(entry, sled, correction, question) if standing.counts or asks else (superseded,),
        aside="" if standing.counts or not asks else f"{superseded}.",
        out=said.get("Fence", said.get("Size", "")),
        how=said.get("How", "") if moves else "",
        newer=standing.newer,
        lines=(
            *together,
            *(line for line in verdict.lines if line.label not in _SAID_LARGE),
            *_read_lines(log, entry, reading, standing, sled),
        ),
        doubts=tuple((format_doubt(each), remedy(each.code, "page")) for each in doubts),
        question=question if asks else None,
        picture=_format_picture(entry, reading, correction if standing.counts else None),
        is_photo=entry.photo_sha256 is not None,
        # a slot or gap is not read in pairs either
        is_turned=_is_pair(found) or found.get("piece") in {"slot", "gap", "bevel"},
        is_straight=found.get("piece") == "straight",
        is_slot=found.get("piece") == "slot" and question is None,
        is_pair=_is_pair(found),
        corrected_by=entry.corrected_by,
        cautions=CAUTIONS if moves else (),
        close_ups=_close_ups(reading) if reading and entry.photo_sha256 else (),
        counts=standing.counts,
    )


def _close_ups(reading: Reading) -> tuple[tuple[int, str], ...]:
    words = {"fence": "The edge at the fence", "cut": "The fresh cut"}

    def name(edge: int, role: str) -> str:
        way = reading.ways[edge] if edge < len(reading.ways) else ""
        kind = "wall" if reading.piece in {"slot", "gap"} else "edge"
        return words.get(role) or f"The {way or 'other'} {kind}"

    return tuple((edge, name(edge, role)) for edge, role in edges_to_show(reading))


def _is_pair(found: Mapping[str, object]) -> bool:
    """Whether a reading is of two photos already."""
    return any(key in found for key in ("turned", "two_cuts", "sheet_bow_mm"))


def _verdict(
    standing: Standing,
    error: Quantity | None,
    sled: Sled | None,
    size: Quantity | None,
    basis: Basis,
    learned: Learned | None,
) -> ShownVerdict:
    """How the reading stands; what was true before an adjustment is no verdict on the sled as it is now."""
    instead = SUPERSEDED.get(standing.state, "")
    view = verdict_view(error, sled, (), size, basis=basis, door="page", instead=instead, learned=learned)
    return ShownVerdict("unknown", "Adjusted since", lines=view.lines) if standing.state == "adjusted" else view


def _act(entry: Entry, sled: Sled | None, correction: Correction | None, question: Form | None) -> tuple[str, ...]:
    if question is not None:
        return (question.text,)
    if entry.fence_error is None:
        return (
            _format_heel(entry)
            or _format_slot(entry, sled)
            or _format_tilt(entry, sled)
            or _format_bow(entry, sled)
            or format_lengths(entry.reading, sled.units if sled else "mm")
            or format_reason(entry.result, "page")
            or "This reading has no fence error",
        )
    if sled is None or correction is None:
        return ("The sled's file is not in the log, so there is no verdict",)
    if correction.moves:
        end = f"{correction.end.upper()} end {correction.way.upper()}"
        toward = "towards you" if correction.way == "back" else "away from you"
        return (f"{end}, {toward}", with_range(correction.move, sled.units), *format_means(correction, sled))
    return (_capital(format_advice(correction, sled, "page")),)


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _format_slot(entry: Entry, sled: Sled | None) -> str:
    """Say the width of a slot or gap; empty for any other piece."""
    result = entry.result
    middle = middle_width(result)
    return (
        ""
        if middle is None
        else f"{result.kind.capitalize()}, {fine_length(middle, sled.units if sled else 'mm')} wide"
    )


def _format_heel(entry: Entry) -> str:
    """Say the blade's heel; empty for any other reading."""
    heel = blade_heel(entry.result)
    if heel is None:
        return ""
    shows = "" if heel.value > heel.expanded() else ": none shows"
    return f"Blade against the travel {heel.value:.3f} ± {heel.expanded():.3f}°{shows}"


def _format_bow(entry: Entry, sled: Sled | None) -> str:
    """Say a fence's bow; empty for any other reading."""
    bow = fence_bow(entry.result)
    if bow is None:
        return ""
    found = FenceBow(bow, float(entry.reading["length_mm"]))
    return f"The fence is {straight_lines(found, sled.units if sled else 'mm')[0].text}"


def _format_tilt(entry: Entry, sled: Sled | None) -> str:
    """Say what to do about the blade's tilt; empty for any other piece."""
    tilt = blade_tilt(entry.result)
    if tilt is None:
        return ""
    height = float(entry.reading["tilt"].get("cut_height_mm", 0.0))
    (act,) = (line.text for line in tilt_lines(tilt, sled, height) if line.label == "Do")
    return _capital(act)


def _read_lines(
    log: Log, entry: Entry, reading: Reading | None, standing: Standing, sled: Sled | None
) -> list[LabelledLine]:
    found = entry.reading
    lines = _piece_lines(reading) if reading else []
    if reading is not None and reading.two_cuts:
        lines += reading_of_two_cuts(reading.two_cuts)
    travel = travel_from_json(found)
    if travel is not None:
        lines = [*travel_lines(travel, sled.units if sled else "mm"), *lines]
    tilt = blade_tilt(entry.result)
    if tilt is not None:
        about = tilt_lines(tilt, sled, float(found["tilt"].get("cut_height_mm", 0.0)))
        lines = [*(line for line in about if line.label != "Do"), *lines]
    lines += [note_line(note) for note in notes_on(entry.result)]
    rig = log.document(entry.rig_sha256)
    if entry.photo_sha256 is not None:
        lines.append(LabelledLine("Survey", "none" if rig is None else _format_rig(rig)))
    if "turned" in found:
        lines.append(LabelledLine("Turned", f"by {abs(found['turned']['turn_deg']):.0f}°, two photos read as one"))
    lines += [LabelledLine("Typed", said)] if (said := format_inputs(found)) else []
    lines += assumed_lines(found.get("assumed", {}))
    lines += [LabelledLine("Changed before", entry.adjusted)] if entry.adjusted else []
    lines += [LabelledLine("Changed since", standing.adjusted)] if standing.adjusted else []
    lines += [LabelledLine("Note", entry.note)] if entry.note else []
    return lines


def _piece_lines(reading: Reading) -> list[LabelledLine]:
    lines = [LabelledLine("Piece", reading.piece)]
    if reading.piece == "gap" and reading.taper is not None:
        wedge = degrees(replace(reading.taper, value=abs(reading.taper.value)))
        lines += [LabelledLine("Wedge", wedge), *gap_lines(reading)]
    elif reading.taper is not None:
        lines.append(LabelledLine("Taper", degrees(replace(reading.taper, value=abs(reading.taper.value)))))
    elif reading.piece in {"corner", "bevel"} and reading.cut_edge is not None:
        named = {reading.fence_edge, reading.cut_edge}
        lines += [LabelledLine("Angle", degrees(each.angle)) for each in reading.corners if set(each.edges) == named]
    else:
        lines.append(LabelledLine("Corners", ", ".join(degrees(each.angle) for each in reading.corners)))
    return lines


def _format_rig(text: str) -> str:
    import json

    content = json.loads(text)
    return f"{content['phone'].get('model') or 'phone'}, {content['paper']} {content['field']}, {content['date'][:10]}"


def _format_picture(entry: Entry, reading: Reading | None, correction: Correction | None) -> str | None:
    from visioncheck.present.figures import describe_photo

    return None if reading is None or entry.photo_sha256 is None else describe_photo(reading, correction)
