"""Every limit by which a stage accepts or refuses stands in one module, is used, and says where it is from."""

from __future__ import annotations

import ast
import re
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "visioncheck"
STAGES = ("photo", "points", "camera", "outline", "edges", "fitting", "reading", "fence", "kerf", "work", "measuring")

# Of a search or a fit: how finely it samples, how far it looks, when it has settled. What is accepted does not hang on
# them. The outline's own search (find, quads, covers, bare) weighs looks of picture parts against each other and keeps
# its shares beside the weighing.
OF_ALGORITHMS = {
    "points/find.py": {"_BETTER_PX"},
    "points/markers.py": {"_PLENTY_OF_MARKERS"},
    "points/saddle.py": {"_MOST_DAMPING"},
    "points/sheet_map.py": {"_FEWEST_TO_DRAW"},
    "points/tag.py": {"_STATIONS"},
    "points/windows.py": {"_NEAR_PX"},
    "camera/bundle.py": {"_SETTLED"},
    "outline/slot.py": {"PITCH_MM", "_STRAY_MM"},
    "outline/walls.py": {
        *("WIDEST_MM", "_NARROWEST_MM", "_ASKEW_DEG", "_ENDS_MM", "_STRAY_MM", "_LIKE", "_LEAST_STEP"),
        *("_BIN_MM", "_STEEP", "_SAME_MM"),
    },
    "edges/colour.py": {"REACH_PX", "_CORE_PX", "_BESIDE_PX"},
    "edges/profile.py": {"_WINDOW_PX", "_SETTLED_PX"},
    "edges/sampling.py": {"_SMALLEST_SHIFT_PX"},
    "edges/shade_band.py": {"_NEAR_PX", "_FAR_PX"},
    "edges/slot_model.py": {"_NARROWEST_FLOOR_PX", "_MIXED_PX", "_THINNEST_PX", "_THIN_PX", "_TINTED"},
    "edges/slot_rough.py": {"_BLOCK_MM", "_WOOD_STRAY", "_BEYOND_MM"},
    "edges/tone.py": {"_SHORTEST_PX", "_LEAST_SEEN", "_PLATEAU_PX", "_FURTHEST_PX", "_UNKNOWN_U"},
    "edges/trace.py": {"_COARSE_PITCH_MM"},
    "edges/wall.py": {"_HIDDEN_PX"},
    "edges/wall_model.py": {"_THIN_PX"},
    "edges/wide.py": {"_APART_PX"},
    "fitting/line.py": {"_TUKEY_C"},
    "fitting/roughness.py": {"FIRST_FREE"},
    "reading/covers.py": {"_MIDDLE"},
    "reading/piece.py": {"_NO_PART"},
    "measuring/groove.py": {"_WIDE_MM"},
    "kerf/read_plan.py": {"_WIDEST_MM"},
}
OUTLINE_SEARCH = {"outline/find.py", "outline/polygon.py", "outline/quads.py", "outline/covers.py", "outline/bare.py"}
OUTLINE_SEARCH |= {"outline/frame.py"}
# not a limit but a state's number
NO_LIMITS = {
    "fence/squareness.py": {"_TIED_DEG"},
}


def test_every_check_is_used_and_documented():
    tree = ast.parse((PACKAGE / "checks.py").read_text())
    everywhere = "\n".join(path.read_text() for path in PACKAGE.rglob("*.py"))
    named = 0
    for statement, after in zip(tree.body, [*tree.body[1:], None], strict=True):
        if not isinstance(statement, ast.Assign):
            continue
        names = [node.id for node in ast.walk(statement.targets[0]) if isinstance(node, ast.Name)]
        named += len(names)
        for name in names:
            assert re.search(rf"\bchecks\.{name}\b", everywhere), f"{name} is used nowhere"
        assert isinstance(after, ast.Expr), f"{names} have no docstring"
        assert isinstance(after.value, ast.Constant), f"{names} have no docstring"
        unit, what = str(after.value.value).replace("\n", " ").split(". ", 1)
        assert unit, names
        assert what.endswith("."), names
    assert named > 80


def numbers_in(tree: ast.Module) -> set[str]:
    """Names of the module's constants that are numbers, alone or several in one statement."""
    found = set()
    for statement in tree.body:
        if isinstance(statement, ast.Assign):
            values = statement.value.elts if isinstance(statement.value, ast.Tuple) else [statement.value]
            targets = statement.targets[0].elts if isinstance(statement.targets[0], ast.Tuple) else statement.targets
            for target, value in zip(targets, values, strict=False):
                if isinstance(target, ast.Name) and all(
                    isinstance(node, ast.Constant | ast.BinOp | ast.UnaryOp | ast.operator | ast.unaryop)
                    and not isinstance(getattr(node, "value", 0), str)
                    for node in ast.walk(value)
                ):
                    found.add(target.id)
    return found


def compared_in(tree: ast.Module) -> set[str]:
    """Names that stand within comparisons by size."""
    return {
        node.id
        for compare in ast.walk(tree)
        if isinstance(compare, ast.Compare)
        and any(isinstance(op, ast.Lt | ast.LtE | ast.Gt | ast.GtE) for op in compare.ops)
        for node in ast.walk(compare)
        if isinstance(node, ast.Name)
    }


def test_no_stage_has_a_limit_of_its_own():
    own = {}
    for stage in STAGES:
        for path in sorted((PACKAGE / stage).glob("*.py")):
            place = f"{stage}/{path.name}"
            tree = ast.parse(path.read_text())
            known = OF_ALGORITHMS.get(place, set()) | NO_LIMITS.get(place, set())
            if place not in OUTLINE_SEARCH and (limits := (numbers_in(tree) & compared_in(tree)) - known):
                own[place] = limits
    assert own == {}


def test_what_is_excepted_is_there():
    for place, names in (OF_ALGORITHMS | NO_LIMITS).items():
        tree = ast.parse((PACKAGE / place).read_text())
        assert names <= numbers_in(tree) & compared_in(tree), place
