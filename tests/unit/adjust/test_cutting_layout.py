"""The sheet to mark out from, measured as paper: poppler reads the PDF, the SVG is read as XML."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from how_many import how_many
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from paper_geometry import (
    HAS_POPPLER,
    Points,
    Stroke,
    clockwise_deg,
    fills,
    size_mm,
    strokes,
    words,
)
from texts_apart import Boxes, boxes, off_the_paper, overlapping

from rig.adjust.cutting_layout import (
    Layout,
    LongerSlot,
    MeshMarks,
    NewPlace,
    Outline,
    layouts,
    looks_at,
)
from rig.adjust.kinds import mesh_step, recut_step, slot_step
from rig.adjust.layout_sheet import draw, scale_for, sheet_of
from rig.adjust.moves import Fitted
from rig.base.errors import InputError
from rig.engine.profile import DriveDog, Mesh, Slot
from rig.job.folder import Job
from rig.job.new import write_example

BLUE, INK = "#1f4e79", "#1c232e"
DOG = DriveDog("upper", 2, "unit half", 17.0, 0.0, (47.5,), "slot", 6.0, 10.0, (5.0,), 14.0, 52.0)
PLACE = NewPlace("upper", DOG, "mating face", False, -36.0, 24.0, Fraction(3, 2), "clockwise",
                 "drive end")  # fmt: skip
SLOT = LongerSlot("upper", Slot("upper", 45.0, 3.0, 4.0, width_mm=8.0), "clockwise", 5.0, 1.7, 8.0,
                  Fraction(1, 2), "anticlockwise", "drive end")  # fmt: skip
MESH = MeshMarks("idler", "crank", 24, 37, "gears", 3, 45.0, "anticlockwise", "flywheel end")

needs_poppler = pytest.mark.skipif(not HAS_POPPLER, reason="poppler-utils reads the PDF")
ENDINGS = [".pdf", ".svg"]


def centre_of(lines: list[Stroke]) -> Points:
    """Where the first cross of two lines of 8 mm is."""
    cross = [s for s in lines if s.straight and s.long_mm == pytest.approx(8.0, abs=1e-3)]
    middles = [s.points.mean(axis=0) for s in cross]
    assert np.allclose(middles[0], middles[1], atol=1e-3)
    return np.asarray(middles[0])


def rays(lines: list[Stroke], centre: Points, colour: str) -> list[Stroke]:
    """Straight lines that begin at the centre."""
    return [s for s in lines if s.straight and s.colour == colour
            and np.allclose(s.points[0], centre, atol=1e-3)]  # fmt: skip


def circles(lines: list[Stroke], centre: Points) -> list[float]:
    """Radii of the closed circles about a centre, mm."""
    found = []
    for s in lines:
        away = np.hypot(*(s.points - centre).T)
        closed = np.allclose(s.points[0], s.points[-1], atol=1e-3)
        if len(s.points) > 100 and closed and np.ptp(away) < 0.01:
            found.append(float(away.mean()))
    return found


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_paper_is_true_to_scale(tmp_path: Path, ending: str, paper: str) -> None:
    """ISO 216: A4 is 210 x 297 mm. ANSI/ASME Y14.1: Letter is 8.5 x 11 in. 1 in is 25.4 mm."""
    sheet = draw(PLACE, tmp_path / f"l{ending}", paper)
    wanted = {"A4": (210.0, 297.0), "Letter": (8.5 * 25.4, 11.0 * 25.4)}[paper]
    assert size_mm(sheet) == pytest.approx(wanted, abs=0.01)
    lines = strokes(sheet)
    bars = [s for s in lines if len(s.points) == 6]
    across = sorted(float(np.ptp(s.points[:, 0])) for s in bars)
    assert across == pytest.approx([50.0, 50.8], abs=0.002)
    centre = centre_of(lines)
    assert sorted(circles(lines, centre)) == pytest.approx([7.0, 17.0, 26.0], abs=0.002)


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("face", ["mating face", "back face"])
def test_the_new_place_lies_where_it_has_to(tmp_path: Path, ending: str, face: str) -> None:
    place = PLACE if face == "mating face" else PLACE.other_face()
    sheet = draw(place, tmp_path / f"l{ending}")
    lines = strokes(sheet)
    centre = centre_of(lines)
    (new,) = rays(lines, centre, BLUE)
    at = clockwise_deg(centre, new.points[1])
    assert at == pytest.approx(-36.0 if face == "mating face" else 36.0, abs=0.005)
    (outline,) = [s for s in lines if s.colour == BLUE and len(s.points) >= 5
                  and np.allclose(s.points[0], s.points[-1], atol=1e-3)]  # fmt: skip
    sides = np.hypot(*np.diff(outline.points[:5], axis=0).T)
    assert sorted(sides) == pytest.approx([6.0, 6.0, 10.0, 10.0], abs=0.002)
    middle = outline.points[:4].mean(axis=0)
    assert clockwise_deg(centre, middle) == pytest.approx(at, abs=0.005)
    assert float(np.hypot(*(middle - centre))) == pytest.approx(17.0, abs=0.002)
    old = [s for s in lines if s.colour == INK and len(s.points) in (5, 6)
           and np.allclose(s.points[0], s.points[4], atol=1e-3)]  # fmt: skip
    sign = 1.0 if face == "mating face" else -1.0
    found = {round(clockwise_deg(centre, s.points[:4].mean(axis=0)), 2) % 360.0:
             round(float(min(np.hypot(*np.diff(s.points[:5], axis=0).T))), 2)
             for s in old}  # fmt: skip
    assert found == {0.0: 6.0, sign * 47.5 % 360.0: 5.0, 180.0: 6.0}


@needs_poppler
def test_the_sheet_says_which_face_it_shows(tmp_path: Path) -> None:
    one = words(draw(PLACE, tmp_path / "a.pdf"))
    two = words(draw(PLACE.other_face(), tmp_path / "b.pdf"))
    assert "UNIT HALF, MATING FACE in front of you As seen from the unit's drive end." in one
    assert "UNIT HALF, BACK FACE in front of you Mirrored against the view from" in two
    assert "36.00° anticlockwise" in one
    assert "36.00° clockwise" in two
    for text in (one, two):
        assert "Print at 100 %" in text
        assert "24.00° earlier (crank)" in text
        assert f"{2 * 17.0 * math.sin(math.radians(18.0)):.2f} mm" in text  # chord: 2 r sin(a/2)
        assert f"{17.0 * math.radians(36.0):.2f} mm" in text  # arc: r a
        assert "± 0.045 mm" in text  # 0.15 degrees of the shaft at 17 mm


def test_which_face_an_end_sees() -> None:
    """From the drive end the unit's half shows what meets the drive; the drive's half its back."""
    assert looks_at("unit half", "drive end") == "mating face"
    assert looks_at("drive half", "drive end") == "back face"
    assert looks_at("unit half", "other end") == "back face"
    assert looks_at("drive half", "other end") == "mating face"


@pytest.mark.parametrize("half", ["unit half", "drive half"])
@pytest.mark.parametrize("face", ["mating face", "back face"])
@pytest.mark.parametrize("shift", [8.0, -13.0])
def test_put_together_by_hand_the_unit_moves_as_asked(
    tmp_path: Path, half: str, face: str, shift: float
) -> None:
    """Both halves in space: the sheet is laid on the face, and the drive is put together.

    The x axis runs from the drive to the unit. An angle counted clockwise by someone who looks
    along +x (from the drive end) is taken as positive. A sheet on a face is read by someone who
    looks at that face: at the mating face of the unit's half, or the back of the drive's, along
    +x; at the others along -x.
    """
    folder = tmp_path / "job"
    write_example(folder)
    text = (folder / "engine.toml").read_text("utf-8")
    (folder / "engine.toml").write_text(
        text + f'\n[[adjustment.dog]]\nunit = "upper"\nrecut = "{half}"\nradius_mm = 18\n'
        f'shape = "hole"\nwidth_mm = 5\nface = "{face}"\n', "utf-8")  # fmt: skip
    job = Job(folder)
    (dog,), units = job.adjustments.dogs, job.profile.units
    step = recut_step(Fitted(units, job.profile.engine), dog, shift)
    (place,) = layouts(job, [{"kind": "recut", "part": "upper", "figures": step.figures}])
    lines = strokes(draw(place, tmp_path / "l.svg"))
    centre = centre_of(lines)
    (new,) = rays(lines, centre, BLUE)
    looks_along = 1.0 if (half == "unit half") == (face == "mating face") else -1.0
    new_deg = looks_along * clockwise_deg(centre, new.points[1])
    old_deg = 0.0
    # The unit's shaft turns until place meets place; the half that is not cut keeps its own.
    moved_deg = old_deg - new_deg if half == "unit half" else new_deg - old_deg
    upper = next(u for u in units if u.name == "upper")
    on_deg = moved_deg * (1.0 if upper.rotation == "clockwise" else -1.0)
    assert upper.seen_from == "drive end"
    assert on_deg / float(upper.turns_per_crank_turn) == pytest.approx(shift, abs=0.01)


def test_an_end_that_is_worded_otherwise_has_to_be_stated(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    write_example(folder)
    text = (folder / "engine.toml").read_text("utf-8")
    text = text.replace('seen_from = "drive end"', 'seen_from = "lid"', 1)
    dog = '\n[[adjustment.dog]]\nunit = "upper"\nrecut = "unit half"\nradius_mm = 18\n'
    (folder / "engine.toml").write_text(text + dog, "utf-8")
    job = Job(folder)
    assert job.profile.units[0].seen_from == "lid"
    step = recut_step(Fitted(job.profile.units, job.profile.engine), job.adjustments.dogs[0], 8.0)
    asked = [{"kind": "recut", "part": "upper", "figures": step.figures}]
    with pytest.raises(InputError, match='seen_from = "drive end" or "other end"'):
        layouts(job, asked)
    (folder / "engine.toml").write_text(text + dog + 'seen_from = "other end"\n', "utf-8")
    (place,) = layouts(Job(folder), asked)
    assert isinstance(place, NewPlace)
    assert place.mirrored  # the mating face of the unit's half, away from the lid
    (folder / "engine.toml").write_text(text + dog.replace("18", "19"), "utf-8")
    changed = Job(folder)
    with pytest.raises(InputError, match="has changed since"):
        layouts(changed, asked)


@needs_poppler
def test_overlaps_are_reported(tmp_path: Path) -> None:
    near = replace(PLACE, at_deg=20.0)  # half a slot's width away at the middle of the slot
    assert (near.web_mm() or 0.0) < 0.0
    told = words(draw(near, tmp_path / "l.pdf"))
    assert "BREAKS INTO the nearest of the 3 slots: they overlap by" in told
    assert "BREAKS INTO" not in words(draw(PLACE, tmp_path / "m.pdf"))


HOLES = replace(DOG, shape="hole", width_mm=6.0, length_mm=None, others_width_mm=(6.0,))


@pytest.mark.parametrize("dog", [DOG, HOLES])
@pytest.mark.parametrize("at_deg", [-36.0, 20.0, 33.0])
def test_where_places_overlap_is_filled(tmp_path: Path, dog: DriveDog, at_deg: float) -> None:
    """The area that the PDF fills, against the area that two places share, both by points in it;
    of two holes by the formula of a lens too, 2 r^2 acos(d/2r) - d/2 sqrt(4r^2 - d^2)."""
    place = replace(PLACE, dog=dog, at_deg=at_deg)
    sheet = draw(place, tmp_path / "l.pdf")
    filled = [f for f in fills(sheet) if f.colour == "#a8450c" and f.within is not None]
    assert len(filled) == 3  # one for each place that there is; empty where they are apart
    about = 17.0 * np.array([math.sin(math.radians(at_deg)), math.cos(math.radians(at_deg))])
    grid = np.arange(-6.0, 6.0, 0.15)
    metal = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2) + about
    paper = metal * (1.0, -1.0) + centre_of(strokes(sheet))
    drawn = np.zeros(len(metal), bool)
    for each in filled:
        assert each.within is not None
        drawn |= _within(each.points, paper) & _within(each.within, paper)
    hole = 17.0 if dog.shape == "hole" else None
    new, *old = (
        Outline(deg, wide, 12.0, 22.0, hole)
        for deg, wide in ((at_deg, 6.0), (0.0, 6.0), (47.5, dog.others_width_mm[0]), (180.0, 6.0))
    )
    shared = np.any([_inside(metal, each) for each in old], axis=0) & _inside(metal, new)
    assert shared.any() == (at_deg > 0.0)
    assert drawn.sum() == pytest.approx(shared.sum(), abs=0.02 * shared.sum() + 10)
    assert (drawn & ~shared).sum() < 0.02 * shared.sum() + 10  # at the same places
    if hole is not None:
        apart = 2.0 * hole * np.sin(np.radians([abs(at_deg - deg) for deg in (0.0, 47.5)]) / 2.0)
        d = apart[apart < 6.0]
        lens = 2.0 * 9.0 * np.arccos(d / 6.0) - d / 2.0 * np.sqrt(36.0 - d**2)
        assert drawn.sum() * 0.15**2 == pytest.approx(lens.sum(), abs=0.02 * lens.sum() + 0.1)


def _within(corners: Points, points: Points) -> NDArrayBool:
    """Which points lie in a convex area: on the same side of all its edges."""
    edges = np.roll(corners, -1, axis=0) - corners
    edges, corners = edges[np.any(edges, axis=1)], corners[np.any(edges, axis=1)]
    away = points[:, None] - corners
    side = edges[:, 0] * away[..., 1] - edges[:, 1] * away[..., 0]
    return np.asarray(np.all(side > 0.0, axis=1) | np.all(side < 0.0, axis=1))


@settings(max_examples=150, deadline=None)
@given(st.floats(-180.0, 180.0), st.floats(0.5, 20.0), st.floats(0.5, 20.0), st.floats(0.0, 20.0),
       st.floats(1.0, 20.0), st.booleans())  # fmt: skip
def test_the_metal_left_by_points_all_over_both(
    at_deg: float, wide: float, other: float, low: float, long: float, hole: bool
) -> None:
    """Against brute force: points of one outline inside the other, least distance of points."""
    centre = low + 10.0 if hole else None
    one = Outline(0.0, wide, low, low + long, centre)
    two = Outline(at_deg, other, low, low + long, centre)
    web = one.web_mm(two)
    cloud = [_edge_points(each) for each in (one, two)]
    apart = float(np.min(np.hypot(*np.moveaxis(cloud[0][:, None] - cloud[1], 2, 0))))
    inside = bool(_inside(cloud[0], two).any() or _inside(cloud[1], one).any())
    if web > 0.3:
        assert not inside
        assert apart == pytest.approx(web, abs=0.15)
    elif web < -0.3:
        assert inside or apart < 0.3


def _edge_points(outline: Outline) -> Points:
    corners = outline.points()
    steps = np.linspace(0.0, 1.0, 3 if outline.radius_mm is not None else 60)[:-1, None]
    sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    return np.vstack([a + (b - a) * steps for a, b in sides])


def _inside(points: Points, outline: Outline) -> NDArrayBool:
    """Turned back, a rectangle's sides lie along the axes."""
    angle = math.radians(outline.at_deg)
    back = points @ np.array([[math.cos(angle), math.sin(angle)],
                              [-math.sin(angle), math.cos(angle)]])  # fmt: skip
    if outline.radius_mm is not None:
        away = np.hypot(back[:, 0], back[:, 1] - outline.radius_mm)
        return np.asarray(away < outline.width_mm / 2.0 - 1e-9)
    across = np.abs(back[:, 0]) < outline.width_mm / 2.0 - 1e-9
    return np.asarray(
        across & (back[:, 1] > outline.low_mm + 1e-9) & (back[:, 1] < outline.high_mm - 1e-9)
    )


NDArrayBool = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_longer_slot_at_its_right_end(tmp_path: Path, mirrored: bool) -> None:
    """A body turns about a stud that stands still: clockwise, until the anticlockwise end is there.

    3 mm of room at 45 mm are 3.8197 degrees, and 1.7 mm more make 5.9842 (arc = radius x angle).
    """
    layout = SLOT.other_face() if mirrored else SLOT
    lines = strokes(draw(layout, tmp_path / "l.svg"))
    centre = centre_of(lines)
    (new,) = [s for s in lines if s.name == "new"]
    at = clockwise_deg(centre, new.points[0])
    assert at == pytest.approx(math.degrees(4.7 / 45.0) * (1.0 if mirrored else -1.0), abs=0.01)
    slot, longer = (next(s for s in lines if s.name == name) for name in ("slot", "new outline"))
    away = [np.hypot(*(s.points - centre).T) for s in (slot, longer)]
    assert [float(a.max()) for a in away] == pytest.approx([49.0, 49.0], abs=0.01)
    assert [float(a.min()) for a in away] == pytest.approx([41.0, 41.0], abs=0.01)
    ends = [sorted(clockwise_deg(centre, p) for p in s.points) for s in (slot, longer)]
    low, high = (longer_end - end for longer_end, end in zip(
        (ends[1][0], ends[1][-1]), (ends[0][0], ends[0][-1]), strict=True))  # fmt: skip
    grown = (high, low) if mirrored else (low, high)
    assert abs(grown[0]) == pytest.approx(math.degrees(1.7 / 45.0), abs=0.02)
    assert grown[1] == pytest.approx(0.0, abs=0.01)


def test_marks_of_a_mesh(tmp_path: Path) -> None:
    """Gap 2 lies behind gap 1 by as many gaps as the wheel goes on: 3 of 37 are 29.19 degrees."""
    for layout, way in ((MESH, 1.0), (MESH.other_face(), -1.0), (replace(MESH, teeth=-3), -1.0)):
        lines = strokes(draw(layout, tmp_path / "m.svg"))
        centre = centre_of(lines)
        (count,) = [s for s in lines if s.name == "count"]
        begin, end = (clockwise_deg(centre, count.points[k]) % 360.0 for k in (0, -1))
        assert begin == pytest.approx(180.0, abs=0.01)
        assert end - begin == pytest.approx(way * 3.0 * 360.0 / 37.0, abs=0.01)


def test_steps_give_their_layouts(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    write_example(folder)
    text = (folder / "engine.toml").read_text("utf-8") + (
        '\n[[adjustment.slot]]\nunit = "upper"\nradius_mm = 45\n'
        "clockwise_mm = 1\nanticlockwise_mm = 1\n"
        '[[adjustment.mesh]]\ndriver = "crank"\ndriver_teeth = 30\ndriven = "upper"\n'
        "driven_teeth = 30\n"
    )
    (folder / "engine.toml").write_text(text, "utf-8")
    job = Job(folder)
    units, train = job.profile.units, job.adjustments.train
    assert train is not None
    of = Fitted(units, job.profile.engine, train)
    filed = slot_step(of, job.adjustments.slots[0], 2.0, filed=True)
    slipped = mesh_step(of, train.meshes[0], -2)
    assert isinstance(train.meshes[0], Mesh)
    steps = [{"kind": s.kind, "part": s.part, "figures": s.figures} for s in (filed, slipped)]
    slot, mesh = layouts(job, [*steps, {"kind": "gap", "part": "upper", "figures": {}}])
    assert isinstance(slot, LongerSlot)
    assert slot.longer_mm == pytest.approx(math.radians(2.0) * 45.0 - 1.0)
    assert isinstance(mesh, MeshMarks)
    assert (mesh.teeth, mesh.driver, mesh.seen_from) == (-2, "crank", job.profile.engine.seen_from)
    assert mesh.count == mesh.rotation  # put back, what comes to the tooth lies ahead


def test_a_unit_with_two_slots_gets_the_sheet_of_the_one_to_file(tmp_path: Path) -> None:
    """The body's slot and the contact plate's have the same room, on circles of their own."""
    folder = tmp_path / "job"
    write_example(folder)
    slots = "".join(
        f'\n[[adjustment.slot]]\nunit = "upper"\npart = "{part}"\nradius_mm = {radius}\n'
        "clockwise_mm = 1\nanticlockwise_mm = 1\n"
        for part, radius in (("body", 45), ("contact plate", 25))
    )
    text = (folder / "engine.toml").read_text("utf-8") + slots
    (folder / "engine.toml").write_text(text, "utf-8")
    job = Job(folder)
    of = Fitted(job.profile.units, job.profile.engine)
    for slot in job.adjustments.slots:
        step = slot_step(of, slot, 6.0, filed=True)
        (found,) = layouts(job, [{"kind": "file", "part": "upper", "figures": step.figures}])
        assert isinstance(found, LongerSlot)
        assert found.slot == slot


def test_what_does_not_fit_says_that_it_is_not_true() -> None:
    large = replace(PLACE, dog=replace(DOG, radius_mm=150.0, outside_mm=340.0))
    told = " ".join(each.get_text() for each in sheet_of(large).axes[0].texts)
    assert "NOT true scale" in told
    assert "TRUE SCALE 1:1" not in told
    with pytest.raises(InputError, match="too large"):
        scale_for(50_000.0, 60.0, "upper")


NAMES = st.sampled_from(["upper", "magneto at the back of the engine"])
ANGLES = st.floats(-180.0, 180.0).filter(lambda deg: abs(deg) > 0.2)
DOGS = st.builds(
    lambda slots, others, shape, radius: DriveDog(
        "upper", slots, "unit half", radius, 0.0, tuple(others), shape, 6.0,
        None if shape == "hole" else 5.0, (),
        2.0 * radius - (0.0 if shape == "bore keyway" else 9.0), 2.0 * radius + 16.0,
    ),
    st.integers(1, 4), st.lists(st.floats(0.0, 360.0), max_size=3),
    st.sampled_from(["hole", "slot", "bore keyway"]), st.floats(10.0, 55.0),
)  # fmt: skip
LAYOUTS: st.SearchStrategy[Layout] = st.one_of(
    st.builds(NewPlace, NAMES, DOGS, st.sampled_from(["mating face", "back face"]), st.booleans(),
              ANGLES, ANGLES, st.just(Fraction(1, 2)), st.sampled_from(["clockwise",
              "anticlockwise"]), st.just("drive end")),
    st.builds(lambda name, radius, room, longer, way: LongerSlot(
        name, Slot(name, radius, room, room, width_mm=7.0), way, 3.0, longer, 6.0, Fraction(1, 2),
        "clockwise", "drive end"), NAMES, st.floats(20.0, 90.0), st.floats(0.0, 12.0),
        st.floats(0.2, 6.0), st.sampled_from(["clockwise", "anticlockwise"])),
    st.builds(lambda a, b, teeth, kind: MeshMarks("cam", "crank", a, b, kind, teeth, 12.0,
              "clockwise", "flywheel end"), st.integers(12, 80), st.integers(12, 80),
              st.integers(1, 6).flatmap(lambda n: st.sampled_from([n, -n])),
              st.sampled_from(["gears", "chain", "internal"])),
)  # fmt: skip


def clear(layout: Layout, paper: str) -> None:
    figure = sheet_of(layout, paper)
    words = boxes(figure)
    assert overlapping(words) == []
    assert off_the_paper(figure, words) == []
    assert hidden_heads(figure, words) == []


def hidden_heads(figure: Figure, words: Boxes) -> list[str]:
    """Words whose ground hides an arrowhead, or a part of it."""
    heads = [patch for patch in figure.axes[0].patches if patch.get_gid() == "head"]
    assert heads
    tips = np.vstack([patch.get_transform().transform(patch.get_path().vertices)
                      for patch in heads])  # fmt: skip
    return [text for text, box in words if any(box.contains(*tip) for tip in tips)]


@pytest.mark.parametrize("layout", [PLACE, SLOT, MESH])
def test_the_head_of_every_arrow_is_to_be_seen(layout: Layout) -> None:
    for paper in ("A4", "Letter"):
        for face in (layout, layout.other_face()):
            figure = sheet_of(face, paper)
            assert hidden_heads(figure, boxes(figure)) == []


PHASES = [Phase.explicit, Phase.reuse, Phase.generate]
PAPERS = st.sampled_from(["A4", "Letter"])


@settings(max_examples=25, deadline=None, phases=PHASES)
@given(LAYOUTS, PAPERS)
def test_no_words_lie_on_others_or_off_the_paper(layout: Layout, paper: str) -> None:
    clear(layout, paper)


@pytest.mark.slow
@settings(max_examples=how_many(30), deadline=None, phases=PHASES)
@given(LAYOUTS, PAPERS)
def test_no_words_of_many_layouts(layout: Layout, paper: str) -> None:
    clear(layout, paper)
