"""A log entry made ready for a phone: what to do first and large, why below it, and what is still to be told."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from visioncheck.correction.correct import correct
from visioncheck.fence.straightness import FenceBow
from visioncheck.log.now import now_from_entries
from visioncheck.log.standing import SUPERSEDED, Standing, find_standing
from visioncheck.measuring.options import WAYS
from visioncheck.present.assumed import assumed_lines
from visioncheck.present.bevel import tilt_lines
from visioncheck.present.cautions import CAUTIONS
from visioncheck.present.close_up import edges_to_show
from visioncheck.present.correction import format_advice, format_means, with_range
from visioncheck.present.flags import format_doubt, remedy
from visioncheck.present.lengths import format_lengths
from visioncheck.present.line import LabelledLine
from visioncheck.present.now import basis_now, history_line, together_lines, verdict_of_now
from visioncheck.present.questions import format_reason, note_line
from visioncheck.present.reading import degrees
from visioncheck.present.slot import fine_length, gap_lines
from visioncheck.present.straight import reading_of_two_cuts, straight_lines
from visioncheck.present.typed import format_inputs
from visioncheck.present.verdict import ShownVerdict, choose_tone, verdict_view
from visioncheck.results.basis import basis_of_json
from visioncheck.results.from_json import (
    quantity_from_json,
    question_from_json,
    reading_from_json,
)
from visioncheck.results.model import TypedReadings, blade_tilt, fence_bow, middle_width, notes_on, seen_doubts
from visioncheck.sled.file import parse_sled
from visioncheck.units import format_error

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from visioncheck.codes import Question
    from visioncheck.correction.correct import Correction
    from visioncheck.correction.learned import Learned
    from visioncheck.fence.next_step import Basis
    from visioncheck.log.entry import Entry
    from visioncheck.log.now import SledNow
    from visioncheck.log.store import Log
    from visioncheck.present.verdict import Tone
    from visioncheck.quantity import Quantity
    from visioncheck.reading.model import Reading
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld

_SAID_LARGE = {"Verdict", "Do", "Move", "With", "How", "Fence", "Size", "Tell me", "Doubt"}


@dataclass(frozen=True, slots=True)
class Form:
    """What the photo does not show and its user can tell; which fields to ask for.

    Attributes
    ----------
    text : str
        The question.
    kinds : tuple of str
        The kinds of piece to choose from, where that is asked.
    edge, end, cuts, half, straightedge : bool
        Ask for the edge or the strip's end at the fence, the number of cuts, the half that was turned over, the end of
        the gap at the straightedge.
    table : bool
        Ask for the face that lay on the table and the cut, of a board on its edge.
    nominal : bool
        Ask for the angle that the cut should have made.
    ways : tuple of str
        The sides of the picture to choose from.
    pairs : mapping of str to str
        The pairs of edges to choose from, and how each is said.
    """

    text: str
    kinds: tuple[str, ...] = ()
    edge: bool = False
    end: bool = False
    cuts: bool = False
    half: bool = False
    straightedge: bool = False
    table: bool = False
    nominal: bool = False
    pairs: Mapping[str, str] = field(default_factory=dict)
    ways: tuple[str, ...] = WAYS


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
    is_pair: bool
    corrected_by: str | None
    cautions: tuple[str, ...]
    close_ups: tuple[tuple[int, str], ...]
    counts: bool


def answer_from_entry(log: Log, entry: Entry, units: UnitWorld | None) -> Answer:
    """Say what an entry of the log says, in these units (None: the sled's own)."""
    sled = _sled(log, entry, units)
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
    question = _form(found)
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
            *_read_lines(log, entry, reading, standing),
        ),
        doubts=tuple((format_doubt(each), remedy(each.code, "page")) for each in doubts),
        question=question if asks else None,
        picture=_format_picture(entry, reading, correction if standing.counts else None),
        is_photo=entry.photo_sha256 is not None,
        # a slot or gap is not read in pairs either
        is_turned=_is_pair(found) or found.get("piece") in {"slot", "gap", "bevel", "straight"},
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


def _sled(log: Log, entry: Entry, units: UnitWorld | None) -> Sled | None:
    text = log.document(entry.sled_sha256)
    if text is None:
        return None
    sled = parse_sled(text, f"the sled file of {entry.sled} in the log")
    return sled if units is None else replace(sled, units=units)


def _act(entry: Entry, sled: Sled | None, correction: Correction | None, question: Form | None) -> tuple[str, ...]:
    if question is not None:
        return (question.text,)
    if entry.fence_error is None:
        return (
            _format_slot(entry, sled)
            or _format_tilt(entry, sled)
            or _format_bow(entry, sled)
            or _format_heel(entry)
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
    result = entry.result
    heel = result.heel if isinstance(result, TypedReadings) else None
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


def _form(found: Mapping[str, Any]) -> Form | None:
    """The form for what is asked of a photo's reading; typed readings are typed anew."""
    question = question_from_json(found)
    ask = None if question is None else _FORMS.get(question.code)
    return None if question is None or ask is None else ask(question, found)


def _which_kind(question: Question, found: Mapping[str, Any]) -> Form:
    """Ask for the kind, and with it for what most of the kinds need."""
    kinds = question.choices
    edge = "fence_edge" not in found and not set(kinds) <= {"slot", "gap"}
    text = "What kind of piece is this" + (", and which edge lay on the fence?" if edge else "?")
    return Form(text, kinds=kinds, edge=edge, cuts="strip" in kinds)


def _sides(question: Question) -> tuple[str, ...]:
    """The sides of the picture that are offered, always in one order."""
    return tuple(way for way in WAYS if way in question.choices)


def _pairs(question: Question) -> dict[str, str]:
    """The pairs of edges that are offered, in words."""
    said = {pair: pair.split(",") for pair in question.choices}
    return {pair: f"{fence} lay on the fence, {cut} is the fresh cut" for pair, (fence, cut) in said.items()}


_FORMS: dict[str, Callable[[Question, Mapping[str, Any]], Form]] = {
    "kind": _which_kind,
    "fence edge": lambda *_: Form("Which edge lay on the fence?", edge=True),
    "bevel edges": lambda *_: Form("Which edge is the face that lay on the table, and which the cut?", table=True),
    "nominal": lambda asked, _: Form(
        f"The corner between fence edge and cut is {asked.choices[0]}°. What angle should it have had?", nominal=True
    ),
    "edges": lambda asked, _: Form("Which edges, as the picture names them, are it?", pairs=_pairs(asked)),
    "first edge": lambda *_: Form("Which edge was cut first?", edge=True),
    "cuts": lambda asked, _: Form(
        "How many successive cuts made this strip" + (", and which end was at the fence?" if asked.choices else "?"),
        cuts=True,
        end=bool(asked.choices),
        ways=_sides(asked),
    ),
    "strip end": lambda asked, _: Form("Which end of the strip was at the fence?", end=True, ways=_sides(asked)),
    "turned half": lambda *_: Form("Which half was turned over?", half=True),
    "straightedge": lambda asked, _: Form(
        "At which end of the gap was the straightedge?", straightedge=True, ways=_sides(asked)
    ),
    "half and straightedge": lambda asked, _: Form(
        "Which half was turned over, and where was the straightedge?",
        half=True,
        straightedge=True,
        ways=_sides(asked),
    ),
}
"""The page's own words for what is asked, and its fields."""


def _read_lines(log: Log, entry: Entry, reading: Reading | None, standing: Standing) -> list[LabelledLine]:
    found = entry.reading
    lines = _piece_lines(reading) if reading else []
    if reading is not None and reading.two_cuts:
        lines += reading_of_two_cuts(reading.two_cuts)
    tilt = blade_tilt(entry.result)
    if tilt is not None:
        about = tilt_lines(tilt, _sled(log, entry, None), float(found["tilt"].get("cut_height_mm", 0.0)))
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


@dataclass(frozen=True, slots=True)
class LogRow:
    """One entry in the list of the log."""

    id: str
    when: str
    sled: str
    said: str
    tone: Tone
    adjusted: str
    corrected: bool


@dataclass(frozen=True, slots=True)
class SledSummary:
    """One sled on the start: its verdict and of when, its story in a line, and what was changed on it last."""

    key: str
    name: str
    tone: Tone
    said: str
    story: str = ""
    moved: str = ""


def summarise_sled(log: Log, key: str, sled: Sled) -> SledSummary:
    """Say how a sled stands by all its readings since it was last changed; a change after them leaves that open."""
    now = now_of(log, sled)
    if now.newest is None or now.state is None:
        return SledSummary(key, sled.name, "unknown", "no reading yet")
    day = f"{now.newest.time.astimezone():%Y-%m-%d}"
    if now.pending:
        return SledSummary(key, sled.name, "unknown", f"adjusted since {day} ({now.pending}): check it")
    shown = verdict_of_now(now, "page")
    story = history_line(now).removeprefix(f"{sled.name}: ")
    changed = now.state.entries[0]
    moved = f"Last changed before {changed.time.astimezone():%Y-%m-%d}: {changed.adjusted}" if changed.adjusted else ""
    return SledSummary(key, sled.name, shown.tone, f"{shown.word}, {day}", f"{story[:1].upper()}{story[1:]}.", moved)


def now_of(log: Log, sled: Sled) -> SledNow:
    """Say how a sled stands, by its file as it is now and in this phone's units."""
    return now_from_entries(sled.name, list(log.entries(sled=sled.name)), sled)


def row_from_entry(log: Log, entry: Entry, units: UnitWorld | None) -> LogRow:
    """Say an entry of the log in one line."""
    sled, error = _sled(log, entry, units), entry.fence_error
    said = "no fence error"
    tone: Tone = "unknown"
    if error is not None:
        ways = format_error(error.value)
        world = units or (sled.units if sled else "mm")
        other = ways.in_per_ft if world == "in" else ways.mm_per_m
        said = f"{ways.deg} ± {error.expanded():.3f}° ({other})"
        tone = choose_tone(error, sled.tolerance_deg) if sled else "unknown"
    return LogRow(
        id=entry.id,
        when=f"{entry.time.astimezone():%Y-%m-%d %H:%M}",
        sled=entry.sled,
        said=said,
        tone=tone,
        adjusted=entry.adjusted,
        corrected=entry.corrected_by is not None,
    )
