"""What must be said once before anybody reaches for the saw."""

from __future__ import annotations

# Common practice, and in line with machine-guarding rules such as 29 CFR 1910.213 (hoods, push sticks);
# kept to what concerns a test cut and a fence.
CAUTIONS = (
    "Unplug the saw and let the blade stop before touching the blade or the fence; never adjust it running.",
    "Make test cuts with the guard on; no small pieces near the blade, strips at least 25 mm (1 in) wide.",
    "Never use the rip fence as a stop for a crosscut; clear the offcut only when the blade stands still.",
    "The saw's manual and your local rules come first; where the work needs a licensed person, ask one.",
)
