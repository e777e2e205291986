"""Every numeric limit at which a stage refuses, doubts or leaves something out, with its unit and where it is from.

"Assumption": a guess that nothing outside confirms; "test photos": held against photos with exact truth, see the guide;
"common practice, no source": a trade fact without one. Limits of convergence and of sampling stand with their
algorithms: they change how fast or how finely something is computed, not what is accepted.
"""

from __future__ import annotations

# A photo as a file

PHOTO_MOST_PIXELS = 100_000_000
"""px. A larger picture is refused: it would not fit into memory beside its copies; assumption."""
PHOTO_MOST_BYTES = 300 * 2**20
"""Bytes. A larger file is refused; assumption."""
PHOTO_LEAST_SIDE_PX = 200
"""px. A smaller picture is refused: no sheet can be read in it; assumption."""

PROFILE_SAME_LEVELS = 2
"""Levels of 255. A colour profile that moves no grey by more is left alone: sRGB's own, and phones' wider colours on
the same curve; assumption."""

# Other files of the user's

TEXT_FILE_MOST_BYTES, MANIFEST_MOST_BYTES, EXPORT_MOST_BYTES = 2**24, 2**22, 2**28
"""Bytes. Larger text files, manifests (20,000 rows) and exports (of some 10,000 entries) are refused; assumption."""

# Points of the target

SHEET_LEAST_MARKERS = 3
"""Markers. With fewer that agree a sheet is not recognised; assumption."""
MARKER_MISS_SHARE = 0.25
"""Share of the marker's side. A marker whose corners miss the sheet's map by more is left out; assumption."""
POINT_FAINT_SHARE = 0.2
"""Share of the usual contrast. A place with less shows no crossing; assumption."""
POINT_WILD_PX = 0.5
"""px. A first fit that still steps by more stands on no crossing; assumption."""
POINT_SETTLED_PX = 0.02
"""px. A fit whose last step is longer is left out; assumption."""
POINT_LEAST_CONTRAST = 0.1
"""Half the step over the level between. A fainter crossing, or one of the wrong sign, is left out; assumption."""
POINT_CONTRAST_STRAY = 0.2
"""Share of the neighbours' contrast. A crossing that differs by more is left out; assumption."""
POINT_WORST_TURN_DEG = 6.0
"""deg. Edges that run so far from where the sheet's map has them are of another thing; assumption."""
POINT_MISFIT_TIMES, POINT_LEAST_MISFIT = 2.0, 0.03
"""Times the neighbours', and share of the amplitude. A fit whose residuals exceed both is left out; assumption."""
POINT_MOST_BLUR_TIMES, POINT_MOST_BLUR_MORE_PX, POINT_LEAST_BLUR_TIMES = 1.6, 0.3, 0.5
"""Times the neighbours', px, times. Blur outside this range is a cover's or a shadow's; assumption."""
POINT_OUTLIER_TIMES, POINT_LEAST_OUTLIER_PX = 4.5, 0.12
"""Times the median, px. A point that stands farther from where its neighbours say is left out; assumption."""
POINTS_LEAST = 20
"""Points. A photo with fewer is refused; assumption."""
POINT_COLOUR_SHIFT_PX, POINT_COLOUR_RMS_TIMES = 2.0, 3.0
"""px, times the median. A point that blue or red sees farther off, or with larger residuals, is not used there;
assumption."""

# The view of one photo

VIEW_LEAST_POINTS = 12
"""Points. A view needs this many of a sheet; assumption."""
VIEW_WORST_SCALE = 2.5
"""Times the points' own uncertainty. Larger residuals refuse the photo: at most 1.1 on the right sheet lying flat
(test photos)."""
VIEW_LEAST_USED = 0.85
"""Share of the points. Fewer that fit refuse the photo; on a whole photo of the right sheet all do (test photos)."""
VIEW_WORST_MOVE = 3.5
"""Standard deviations. Of lens and motion: refocusing makes 0.5, a zoom of 3 % makes 2, a shaky hand 3; beyond, it is
refused."""
VIEW_SAME_FOCAL = 0.005
"""Relative. A focal length that differs by more is named as another zoom; assumption."""
VIEW_WORST_MISS_MM = 0.4
"""mm. Of the worst tenth of the points without a survey; prints and waves make 0.06 to 0.08 (test photos)."""
CAUSE_MOST_LEFT = 0.25
"""Share of the residuals' mean square. A cause that leaves more is not named; assumption."""
LENS_SHORTEST_35MM, LENS_LONGEST_35MM = 8.0, 1000.0
"""mm, 35 mm equivalent. An EXIF focal length beyond is not believed: no lens that draws straight lines has it;
assumption."""

# The survey

SURVEY_LEAST_PHOTOS = 4
"""Photos. Fewer are refused; assumption."""
SURVEY_LEAST_ON_SHEET = 12
"""Points. A photo with fewer of sheet 0 is left out; assumption."""
SURVEY_MISFIT_TIMES = 4.0
"""Times the other photos' residuals. Such a photo shows something else and is left out; assumption."""
SURVEY_PHOTOS_FOR_ONE_LEFT_OUT = 4
"""Photos. Where more disagree, it is not known which are right; assumption."""
SURVEY_WORST_SCALE = 0.02
"""Relative. A ruled length that differs by more from the layout is refused: a print not at 100 %, or a slip of
reading; assumption."""
SURVEY_MOST_STRETCH = 0.02
"""Relative. Printers are off by 0.1 to 0.4 %, old ones by up to 2 % (see the guide); more is refused."""
SURVEY_MOST_SHEAR_DEG = 0.6
"""deg. Likewise of the sheet's right angles."""
SURVEY_MOST_RESIDUAL_PX = 2.0
"""px of a picture 4000 px wide. Larger residuals are refused; real phones leave 0.03 to 0.12 (test photos)."""
SURVEY_TILT_NEEDED_DEG = 8.0
"""deg. Without any tilt above it, and without quarter turns, a survey is refused; assumption."""
SURVEY_LONGEST_LENS = 20
"""Times the picture's width. A longer focal length is a fit that has run away; assumption."""
LATERAL_LEAST, LATERAL_SMALLEST = 4.0, 2e-5
"""Standard deviations, relative. A smaller lateral colour is taken as none: it moves no point by a hundredth of a
pixel in a dozen."""
RIG_LEAST_POINTS = 8
"""Points. A rig file with fewer is refused; assumption."""
RIG_LONGEST_LENS_PX = 10**6
"""px. A rig file with a longer focal length is refused; assumption."""
EVIDENCE_LEAST_CHANCE = 1e-4
"""Probability. A pair or panel less likely under the rig is left out of its refinement; assumption."""

# Light on the sheet

GLARE_SHARE = 0.005
"""Share of the sheet. More burnt out is flagged; assumption."""
GLARE_BEYOND_USE = 0.2
"""Share of the sheet. More burnt out is refused; assumption."""
BLURRED_PX = 3.0
"""px. Points blurred by more are flagged; assumption."""
FEW_POINTS = 40
"""Points. A view from fewer is flagged; assumption."""
STEEP_DEG = 35.0
"""deg. A view tilted by more is flagged; assumption."""
LENS_MOVED = 1.4
"""Standard deviations. Lens and motion farther from the survey's are flagged; refocusing makes 0.5."""
LIFTED_MM = 0.03
"""mm. A sheet seen to lie farther off its surveyed shape is flagged; assumption."""

# A frame before the photo is taken

FRAME_LEAST_FILLED = 0.6
"""Share of the frame's width or height. A smaller sheet wastes the photo's pixels; assumption."""
FRAME_LEAST_ROOM = 0.02
"""Share of the frame. A sheet that leaves less and is cut off needs the phone farther away; assumption."""
FRAME_PIECE_TILT_DEG = 20.0
"""deg. A photo of a piece is wanted from above; at this tilt a board's thickness hides a third of itself beside an
edge; assumption."""
FRAME_BLURRED_SHARE = 1.0 / 1280
"""Share of the frame's long side. More blur is too much: as `BLURRED_PX` of a photo of 4000 px, beside the frame's own
pixels."""
FRAME_HIDDEN_SHARE = 0.2
"""Share of the points of a stretch of the band. Where fewer are seen in a sharp frame, something lies on it; in frames
with nothing there 0.38 and more are; assumption."""
FRAME_MOST_MOVED = 0.02
"""Share of the frame, from one frame to the next, about half a second later. With more the hand moves; assumption."""

# Edges

EDGE_FAINTEST = 0.35
"""Votes. A line with fewer is no edge; assumption."""
EDGE_INNER_SHARE = 0.45
"""Share of the outline's own votes. An inner line with more is the top arris; assumption."""
EDGE_WORST_CHI, EDGE_LEAST_CHI = 3.5, 0.5
"""Times the usual misfit, times the noise. A row that misfits by more than both is left out; assumption."""
EDGE_LEAST_STEP = 0.3
"""Of the step of 1. A common profile with a smaller one holds no edge; assumption."""
EDGE_OFF_LEVEL = 0.4
"""Of the step. A row whose levels differ by more from its block's is left out; assumption."""
EDGE_UNLIKE = 0.3
"""Share of the light. A row whose light differs by more holds a mark or a tear; assumption."""
EDGE_SOFTER_PX = 1.5
"""px beyond twice the print's blur. A softer edge is a shadow's, a stain's or a rounding's and is refused;
assumption."""
EDGE_SOFT_TIMES, EDGE_SCATTER_MM = 2.0, 0.15
"""Times the print's blur, and mm. An edge that is softer and whose stations scatter by more about their straight line
is neither sharp nor straight, and refused: a saw leaves 0.01 to 0.05 mm, a band saw a multiple; assumption."""
EDGE_BREAK_MM = 0.012
"""mm. What misses a smooth curve by less on the average has no break that matters: sawn edges miss it by 0.005 to 0.02
mm; assumption."""
EDGE_BREAK_SHARE = 0.5
"""Share of the smooth curve's misfit. Two straight lines that leave less are two things end to end: of 489 edges drawn
by lot one of two things left 0.09, the others 0.62 and more but for one with a short foreign end."""
EDGE_BREAK_PART = 0.2
"""Share of what is seen of the edge. A shorter part is a tear or a foreign end, and has no weight in the line;
assumption."""
EDGE_NARROW_FACE_MM = 1.0
"""mm. Where no thickness is known, a side face that shows less at most is not doubted for; assumption."""
SHADE_LEAST_STATIONS = 40
"""Stations. From fewer nothing is told of shade beside an edge; assumption."""
SHADE_LEAST_BLUR = 1.1
"""Times the print's blur. Beside a sharper edge no shade is looked for; assumption."""
SHADE_LEAST_CONTRAST = 5.0
"""Step of colour over its noise. With less, colour does not tell shade from wood; assumption."""
SHADE_LEAST_PX, SHADE_MOST_PX = 0.2, 4.0
"""px. A narrower band is none, a broader one not narrow; colour and light agree to ± 0.11 on painted edges without
shade; assumption."""
EDGES_PARALLEL = 0.17
"""Sine of the angle between two edges. Below it (10°) they make no corner worth the name; assumption."""
EDGE_HIDDEN = 0.4
"""Share of the edge. Where other things lie along more of it, they are why it cannot be followed; assumption."""
EDGE_LEAST_CONTRAST = 2.7
"""Step over noise. A fainter edge is flagged; assumption."""
EDGE_SOFTER_THAN_COLOUR = 1.05
"""Times the blur of an edge told by colour alone. A softer one has shade along it; assumption."""
EDGE_SOFT_CONTRAST = 3.75
"""Step over noise. Of an edge softer than colour alone would make it a smaller one counts as faint; assumption."""
SECOND_PIECE = 0.35
"""Share of the work's area. A second thing as large as this may be meant; assumption."""
STICK_MM = 10.0
"""mm. What is narrower is a pencil or a rule and no piece; assumption."""
FINGER_MM = 25.0
"""mm. What is narrower and has one end at the work is a finger or a clamp's jaw; assumption."""
FINGER_LONG = 2.5
"""Times its width. A finger is longer than this; assumption."""
TOUCHES_MM = 5.0
"""mm. What comes nearer to the work than this lies at it; assumption."""
EDGE_PASSED_MM = 2.0
"""mm. An outline that reaches farther past an edge's line is not the work's alone, or no fence met it; assumption."""
EDGE_ENDS_SHORT_MM = 25.0
"""mm. Where an edge is not seen over more than this before its corner, and nothing hides it, the edges that would meet
there are not both the work's: squares of the band hide no more than some 15 mm of an edge; assumption."""
EDGE_SHORT_MM = 25.0
"""mm. A shorter edge is flagged; assumption."""
EDGE_TORN_SHARE = 0.4
"""Share of the edge. More of it not seen is flagged; assumption."""
EDGE_BELIEVED = 0.3
"""Robust weight. A station that counts less is not seen; assumption."""
EDGE_BOW_MM = 0.15
"""mm. A larger bow, beyond three standard uncertainties too, is flagged; assumption."""
LINE_LEAST_STATIONS = 8
"""Stations. A line needs this many; assumption."""
TONE_LEAST_EDGES = 12
"""Edges of the print. With fewer clean ones the tone curve is not known; assumption."""
TONE_LEAST_STEP = 0.1
"""Linear light. A fainter edge of the print tells nothing of the tone curve; assumption."""
TONE_UNEVEN = 0.02
"""Share of the step. An edge whose levels scatter by more is left out; assumption."""

# A piece on the sheet

OFF_SHEET_MM = 2.0
"""mm. A piece nearer to the border of the region that is looked at is refused; assumption."""
TAG_CONTRADICTS_MM = 2.0
"""mm. A thickness told that differs by more from the tag's, and by more than three standard uncertainties, is
flagged; assumption."""
THICKEST_MM = 200.0
"""mm. A thickness told beyond it is a slip of typing; assumption."""
QUARTER_LEAST_DEG, QUARTER_MOST_DEG = 60.0, 120.0
"""deg. A pair turned by less or more leaves the sheet's shear open; see the guide."""
PAIR_UNLIKE_CHI2 = 25.0
"""Chi-square of two numbers. Two shapes farther apart are not one piece: by chance once in 300,000 times."""
PAIR_TOLD_APART = 9.2
"""Twice a log likelihood ratio. One match of the corners must be a hundred times as likely as the next."""
PAIR_MOST_STRETCH = 0.02
"""Relative. No home print is out of scale by so much more in one direction than in the other; a wrong match is."""

# Kinds of piece and the fence error

KIND_LEAST_OPEN = 0.001
"""Probability. A kind more probable than this may be meant; assumption."""
KIND_LEAST_TOLD = 0.01
"""Probability. A kind that the user names is refused below this, and a panel whose misfit is as large by a smaller
chance; assumption."""
KIND_DOUBTFUL = 0.15
"""Probability. Another kind as probable in spite of what the user says makes the reading doubtful; assumption."""
STRIP_LEAST_RATIO = 2.0
"""Length over width. A strip is at least so long; assumption."""
BOARD_SIDE_U_DEG = 0.066
"""deg. Standard uncertainty of a board's own side against the edge that lay on the fence: 2 mm/m, the squareness
tolerance of wood-based panels (EN 312, EN 622-1; from memory), rectangular."""
PANEL_MOST_RATIO = 4.0
"""Length over width. A panel, each of whose sides has to lie safely on the fence, is at most so long; common
practice, no source."""
PANEL_CLOSURE_CHANCE = 0.05
"""Probability. A panel whose misfit is as large by a smaller chance is flagged; assumption."""
TYPED_CORNERS_CHANCE = 0.01
"""Probability. Typed corners whose misfit is as large by a smaller chance are refused; assumption."""
SLOT_ROUGHER = 2.0
"""Times. A wall is called the rougher one where it scatters so much more than the other; common practice, no source."""
REVERSAL_MOST_DEG, REVERSAL_SAME_LENGTH = 15.0, 0.02
"""deg, relative. An edge farther from half a turn, or of another length, is not the first photo's, turned;
assumption."""
BEVEL_LEAN_DEG = 0.1, 0.25
"""deg. How far a board's upper edge leans along itself and across against the one it stands on (standard uncertainty);
assumption: widths differ by 0.2 mm in 100 mm, and a jointer's fence is set by a small square."""
TILT_TOLERANCE_DEG = 0.1
"""deg. A blade's tilt to live with, where the sled's file says none; common practice, no source."""
NOMINAL_LEAST_DEG, NOMINAL_MOST_DEG = 10.0, 170.0
"""deg. An angle of a cut beyond is a slip of typing: no fence holds such a piece; assumption."""
STEP_LIKELY = 2 / 3
"""Probability. The cheapest step that decides with at least this is named; assumption."""
STEP_WORTH_IT = 0.9
"""Share of the uncertainty. A step that leaves more is not worth its trouble; assumption."""
ODD_PIECE_CHANCE = 0.01
"""Probability. A piece to which the others of its sled leave less is odd, and so are photos of one piece that
contradict each other; assumption."""
SAME_PIECE_MM, SAME_PIECE_SHARE = 0.5, 0.003
"""mm, share of the length. Photos of pieces whose sides are this alike are of one piece, where nothing is told: twice
what lengths are read to; assumption."""
SAME_PIECE_MINUTES = 10.0
"""Minutes. Typed readings of one kind within this are of one piece, where nothing is told; assumption."""
CHECK_DUE_DAYS = 90.0
"""Days. A sled that was not measured for longer is due for a check; common practice, no source."""

# Slots, gaps and grooves

SEAM_LEAST_MM = 15.0
"""mm. A shorter line is no slot or gap that runs into a piece; assumption."""
SEAM_DARKER = 0.8
"""Natural log of light. A line less dark than the wood beside it is none; the strongest grain reached 0.5 (test
photos)."""
SEAM_ACROSS = 0.9
"""Share of the piece. A line that runs through more crosses the piece; assumption."""
SEAM_DARKER_ACROSS = 0.6
"""Natural log of light. Likewise, where it crosses the piece: halves may be butted tightly."""
SEAM_UNBROKEN = 0.85
"""Share of its length. A line seen on less is broken; assumption."""
SLOT_DARKER = 1.0
"""Natural log of light. A narrow slot is darker than the wood beside it by at least this (nearly three times);
assumption."""
SLOT_LEAST_LENGTH_MM = 15.0
"""mm. A shorter slot is not looked for; assumption."""
SLOT_LEAST_RATIO = 2.0
"""Length over width. A slot is at least so long; assumption."""
SLOT_MOST_NUMBER = 99
"""Slots. A higher number is a slip of typing; assumption."""
SLOT_ANOTHER_SHARE = 0.5
"""Of the slot's length. Another dark line as long as this may be the slot that was meant; assumption."""
SLOT_STEP_ACROSS = 0.12
"""Natural log of light. Wood that differs by more from one side of a slot to the other may be a groove's floor, which
lies deeper and sees less of the sky; assumption."""
FRAME_CORNER_DEG = 9.0
"""deg. An outer corner of the work that is more off that of a frame's is none of it; half way to the next number of
sides where that is less; assumption."""
FRAME_TIGHT_U_MM = 0.01
"""mm, standard uncertainty. From one end to the other a frame's joint that is clamped tight may still gape by this;
assumption."""
JOINT_RIVAL = 0.6
"""Share of its width. Where another joint of a frame gapes by so much nothing tells which one was left open;
assumption."""
SLOT_LEAST_WOOD = 0.8
"""Share of its length. With less wood beside it a band is a shadow along the work's own edge; assumption."""
SLOT_LEAST_TINT = 0.3
"""log ratio of colours. Sheet and wood less apart are not told apart by tint; assumption."""
WALL_SHARE = 0.75
"""Share of its length. A wall has wood on one side and none on the other along more than this; assumption."""
WALL_RIVAL = 0.6
"""Share of the best votes. Another pair of walls with more may be the slot as well; assumption."""
WALL_LEAST_STATIONS = 40
"""Rows of pixels. A wall traced on fewer is refused; assumption."""
WALL_WORST_MISFIT = 3.0
"""Times the usual misfit. A row that misfits by more is left out; assumption."""
WALL_LEAST_STEP = 0.3
"""Share of the usual step. A row with a smaller step of light is left out; assumption."""
FLOOR_MISFIT_SHARE, FLOOR_MISFIT_SHARE_TINTED = 0.75, 0.95
"""Share of the misfit. A floor must leave less to be believed; and where the sheet's tint beside the wall shows one;
assumption."""
ARRIS_LEAST_STEP = 0.3
"""Share of the step from the floor to the wood. A side face that differs less from the wood shows no arris;
assumption."""
PHOTO_SHARP_PX = 1.05
"""px, of the print's blur. A softer picture may have been softened by software: phones' own leave 0.4 to 1.1 (test
photos and public ones)."""
FLOOR_UNLIKE = 0.1
"""Share of the step to the wood. A floor that differs less from the side face is none; assumption."""
FLOOR_SHEET_TINT = 0.2
"""log(blue/green). The sheet is bluer than wood by more than this, a floor of the same wood is not; assumption."""
FLOOR_DARK = 0.02
"""Linear light. Below it the sensor's noise has no colour to tell; assumption."""
SLOT_NARROWEST_PX = 4.0
"""px. Below this the two walls' blurs run together, and the width read depends on what the blur is taken for."""
SLOT_MARGIN_PX = 12.0
"""px. A slot whose end lies nearer to the picture's border is refused; assumption."""
SLOT_SOFTEST_PX = 1.6
"""px. Blur beyond which widths were 0.05 to 0.19 mm out, three times their u: two test photos blurred by 2 px or
moved."""
SLOT_WALL_DOUBTFUL_MM = 0.03
"""mm. A wall whose place is more uncertain for the picture's softness, or because its light is not that of a step,
is no reading; assumption."""
SLOT_SHADOW_BLUR_TIMES, SLOT_SHADOW_BLUR_MORE_PX = 1.6, 0.6
"""Times the print's blur, px. A softer wall may be a shadow's edge; assumption."""
SLOT_THICKNESS_SIGMAS = 2.0
"""Standard uncertainties. A thickness that differs by more from what the side face shows is refused; assumption."""
SLOT_FLOOR_LEAST_MM = 2.0
"""mm. Wood that a groove leaves below it at least; common practice, no source."""
SLOT_HIDDEN_MM = 0.05
"""mm. With more than this hidden beside a wall the width would be a guess; assumption."""
SLOT_TORN_SHARE = 0.25
"""Share of a wall. More of it not believed is flagged; assumption."""
GROOVE_BOARD_MM = 3.0
"""mm. A board that differs by more, and by more than 2 %, is not the plan's; assumption."""
GROOVE_PARALLEL = 0.05
"""rad. A groove askew by more is not the plan's; assumption."""
GROOVE_FAR_OFF_MM = 10.0
"""mm. A groove farther off its place is taken for another one, not for a bad one; assumption."""
PLAN_SAME_MM = 0.005
"""mm. Lengths nearer than this are one: below what a fence can be set to; assumption."""
PLAN_MOST_PASSES = 100
"""Passes. More for one groove are a slip of typing; assumption."""
PLAN_TOUCH_MM = 1.0
"""mm. A blade nearer than this to the fence wants a sacrificial face on it; common practice, no source."""
PLAN_OFF_CENTRE_MM = 0.4
"""mm. The blade may run this far off the middle of an insert's channel, 1/64 in; common practice, no source."""
PLAN_SLIVER_MM = 3.0
"""mm. Wood narrower than this between two grooves breaks out; common practice, no source."""
PLAN_MOST_GROOVES = 100
"""Grooves. A plan with more is refused; assumption."""
PLAN_MOST_SETTINGS = 200
"""Settings. More for one groove are refused; assumption."""

# Tolerances and the work they come from

TOLERANCE_FINEST_DEG, TOLERANCE_COARSEST_DEG = 0.0005, 2.0
"""deg. No sled is held to less, and one that may be out by more needs no measuring; assumption."""
WORK_SMALLEST_MM, WORK_LARGEST_MM = 1.0, 10_000.0
"""mm. A size of a joint, panel, box or frame outside is a slip of typing; assumption."""
FRAME_MOST_SIDES = 24
"""Sides. A frame with more is a slip of typing; assumption."""

# Repeat cuts

LENGTHS_LEAST_AREA = 0.3
"""Share of the largest piece's area. A smaller thing on the sheet is none of the repeat cuts; assumption."""
LENGTHS_WORST_CORNER_DEG = 5.0
"""deg. A square cut's corner farther from 90° is a slip of typing; as for every fence error; assumption."""
LENGTHS_MOST_APART_MM = 10.0
"""mm. Lengths of one stop farther apart are no repeat cuts; assumption."""
LENGTHS_MOST_PIECES = 200
"""Pieces. More of one stop are refused; assumption."""

# Parts in their grooves

TOOTH_OVERHANG_MM = 0.8
"""mm. Teeth reach no farther beyond another blade's than 1/32 in; common practice, no source."""
STACK_MOST_SHIMS = 3
"""Shims. More are not put between two chippers; assumption."""
STACK_MOST_PIECES = 12
"""Pieces. A longer list of chippers or of shims is refused, for the number of ways to choose; assumption."""
