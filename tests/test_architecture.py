"""The layout of the house, checked: a room imports only rooms above it, and touches only what it may."""

import ast
import re
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "toothcheck"

# from the ground up; a room may import only rooms that stand before it here
ROOMS = [
    # ground
    "errors", "flags", "marks", "jsontext", "estimate", "geometry", "chains", "toothform", "tooth",
    # judging
    "wear", "patterns", "grade", "stretch", "matching", "torque", "advice", "sheets", "comparing", "logbook",
    "drive", "trend", "pages", "lessons", "report",
    # seeing
    "photo", "edges", "cards", "pose", "tracing", "chainphoto", "features", "counting", "overlay",
    # together
    "synthetic", "claims", "placing", "quality", "inspection", "pairing", "bench", "survey", "cli",
]  # fmt: skip
GROUND = set(ROOMS[: ROOMS.index("wear")])
JUDGING = set(ROOMS[ROOMS.index("wear") : ROOMS.index("photo")])
OPENS_FILES = {"photo", "logbook", "cards", "cli"}
ANY_ROOM = {"__init__", "__main__"}


def modules():
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        room = parts[0]
        if room not in ANY_ROOM:
            yield pytest.param(path, room, id="/".join(parts))


def imported(path):
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            if node.module == "toothcheck":
                for alias in node.names:
                    yield f"toothcheck.{alias.name}"


@pytest.mark.parametrize(("path", "room"), [*modules()])
def test_room_is_on_the_list_and_imports_only_rooms_above(path, room):
    assert room in ROOMS
    for name in imported(path):
        parts = name.split(".")
        if parts[0] == "toothcheck" and len(parts) > 1 and parts[1] in ROOMS and parts[1] != room:
            assert ROOMS.index(parts[1]) < ROOMS.index(room), f"{room} imports {parts[1]}, which stands below it"


@pytest.mark.parametrize(("path", "room"), [*modules()])
def test_ground_needs_only_numpy_and_judging_sees_no_pixels(path, room):
    tops = {name.split(".")[0] for name in imported(path)}
    if room in GROUND:
        assert tops <= {"__future__", "toothcheck", "numpy", "math", "json", "dataclasses", "typing", "collections"}
    if room in JUDGING:
        assert not tops & {"cv2", "skimage"}


@pytest.mark.parametrize(("path", "room"), [*modules()])
def test_files_clock_dice_and_print_only_where_they_may(path, room):
    for node in ast.walk(ast.parse(path.read_text())):
        if not isinstance(node, ast.Call):
            continue
        called = ast.unparse(node.func)
        assert called != "print", f"{path.name}:{node.lineno} prints"
        if room not in OPENS_FILES:
            assert called != "open", f"{path.name}:{node.lineno} opens a file"
            assert not called.endswith((".read_text", ".read_bytes", ".write_text", ".write_bytes")), (
                f"{path.name}:{node.lineno} touches a file"
            )
        if room != "cli":
            assert called not in {
                "datetime.now",
                "datetime.datetime.now",
                "date.today",
                "datetime.date.today",
                "time.time",
            }, f"{path.name}:{node.lineno} looks at the clock"
            assert not (called.endswith("default_rng") and not node.args), f"{path.name}:{node.lineno} throws dice"
            assert not called.startswith(("random.", "np.random.")) or called == "np.random.default_rng", (
                f"{path.name}:{node.lineno} throws dice"
            )


def test_the_map_for_developers_is_this_list():
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text("utf-8")
    rows = re.findall(r"^\| `(\w+)` \| (ground|judging|seeing|together) \| (\S.*) \|$", text, re.M)
    assert [name for name, _, _ in rows] == ROOMS
    first_of = {"judging": "wear", "seeing": "photo", "together": "synthetic"}
    part = "ground"
    for name, said, _ in rows:
        part = next((p for p, first in first_of.items() if first == name), part)
        assert said == part, f"{name} is {part}, not {said}"
