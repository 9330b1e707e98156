"""The balloon, the wall as a grid, and the view in space of a page."""

import dataclasses
import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from ellipse import AIR, HALF_HEIGHT, HALF_WIDTH, elliptical_piston
from evenflare.closed_forms import elliptical_piston_pattern
from evenflare.directivity.types import Directivity, in_directions
from evenflare.report.kit import scene, wall
from evenflare.report.waveguide import balloon, page, view
from evenflare.studies import directions
from evenflare.units import DEGREE, MILLIMETRE, amplitude_db
from evenflare.waveguide import Waveguide
from oblong_shapes import CANDIDATE, OBLONG_BENCHMARK
from reports import WAVEGUIDE, Page, piston
from shapes import BENCHMARK, FALLING

FREQUENCY = np.geomspace(500.0, 18000.0, 40)
DENSE = tuple(range(0, 91, 15))
SHAPES = {**OBLONG_BENCHMARK, **BENCHMARK, "turning inward": FALLING}


def seen(planes_deg: tuple[float, ...] = DENSE, **more: float) -> Directivity:
    return elliptical_piston(FREQUENCY, planes_deg=planes_deg, **more)


def test_balloon_is_the_pattern_of_an_elliptical_piston_all_round() -> None:
    found = balloon.balloon(seen())
    assert found.level.shape == (40, balloon.RINGS, balloon.COLUMNS)
    assert found.off_axis[-1] == pytest.approx(0.5 * np.pi)
    exact = amplitude_db(
        elliptical_piston_pattern(
            2 * np.pi * FREQUENCY / AIR.speed_of_sound,
            found.off_axis,
            azimuth=found.azimuth,
            half_width=HALF_WIDTH,
            half_height=HALF_HEIGHT,
        )
    )
    exact = np.moveaxis(exact, 1, 2)
    # Where the pattern falls steadily; cubics over 5 and 15 degrees miss a null's neighbourhood by more.
    beam = np.minimum.accumulate(exact, axis=1) > -10
    beam &= np.roll(beam, -2, axis=1)
    np.testing.assert_allclose(found.level[beam], exact[beam], atol=0.3)
    assert beam.mean() > 0.4


def test_balloon_is_the_same_on_all_four_sides_and_loudest_wide_of_the_low_side() -> None:
    found = balloon.balloon(seen())
    column = np.arange(balloon.COLUMNS)
    for mirrored in (-column, balloon.COLUMNS // 2 - column):
        np.testing.assert_array_equal(found.level, found.level[:, :, mirrored % balloon.COLUMNS])
    # The wider side of the piston has the narrower beam.
    at = int(np.abs(FREQUENCY - 3000).argmin())
    assert found.level[at, 20, balloon.COLUMNS // 4] > found.level[at, 20, 0] + 1.0
    assert found.level.min() == balloon.FLOOR
    np.testing.assert_allclose(found.level[:, 0], 0.0, atol=1e-12)


def test_points_of_a_balloon_stand_out_by_their_level() -> None:
    found = balloon.balloon(seen())
    points = found.points(30)
    np.testing.assert_allclose(np.linalg.norm(points, axis=-1), (found.level[30] + 30.0) / 30.0, atol=1e-12)
    np.testing.assert_allclose(points[0], np.broadcast_to([0.0, 0.0, 1.0], points[0].shape), atol=1e-12)
    quarter = points[10, balloon.COLUMNS // 4]
    assert quarter[1] > 0.1
    assert abs(quarter[0]) < 1e-12


def test_cells_of_a_balloon_have_the_mean_level_of_their_corners() -> None:
    found = balloon.balloon(seen())
    cells = balloon.balloon_cells(found, 12).reshape(balloon.RINGS - 1, balloon.COLUMNS)
    corners = found.level[12][[3, 3, 4, 4], [47, 0, 47, 0]]
    assert cells[3, 47] == pytest.approx(corners.mean())


def test_balloon_needs_planes_and_angles_closely_enough() -> None:
    assert directions.drawable(seen())
    assert directions.drawable(piston())
    assert not directions.drawable(seen((0.0, 45.0, 90.0)))
    assert not directions.drawable(seen(tuple(range(0, 76, 15))))
    assert not directions.drawable(piston(step_deg=30.0))
    short = dataclasses.replace(piston().observation, off_axis=np.arange(0.0, 61.0, 5.0) * DEGREE)
    cut_off = dataclasses.replace(piston(), observation=short, pressure=piston().pressure[..., :13])
    assert not directions.drawable(cut_off)


def test_dense_observation_adds_directions_and_its_part_takes_them_off_again() -> None:
    coarse = seen((0.0, 30.0000001, 90.0), step_deg=22.5)
    dense = directions.dense(coarse.observation)
    # To rounding 30 degrees stands there already.
    np.testing.assert_allclose(dense.plane / DEGREE, DENSE, atol=1e-6)
    assert {0.0, 5.0, 22.5, 90.0, 180.0} <= set(np.round(dense.off_axis / DEGREE, 9).tolist())
    np.testing.assert_array_equal(dense.frequency, coarse.observation.frequency)
    whole = elliptical_piston(FREQUENCY, observation=dense)
    assert directions.drawable(whole)
    again = in_directions(whole, coarse.observation)
    assert again.observation is coarse.observation
    np.testing.assert_array_equal(again.pressure, coarse.pressure)
    assert directions.dense(piston().observation).plane.size == 1
    with pytest.raises(ValueError, match="not observed"):
        in_directions(coarse, dense)


def test_octaves_are_those_within_the_data() -> None:
    found = balloon.octaves(np.geomspace(800.0, 9000.0, 200))
    np.testing.assert_allclose(np.geomspace(800.0, 9000.0, 200)[found], [1e3, 2e3, 4e3, 8e3], rtol=0.01)
    # A sixth of an octave below 2 kHz is 1782 Hz; where there is none, the highest.
    assert balloon.octaves(np.array([300.0, 1790.0])).tolist() == [1]
    assert balloon.octaves(np.array([300.0, 500.0])).tolist() == [1]


@pytest.mark.parametrize("waveguide", SHAPES.values(), ids=SHAPES)
def test_wall_grid_runs_from_throat_to_rim_and_is_the_same_on_all_four_sides(waveguide: Waveguide) -> None:
    points = wall.grid(waveguide)
    rows, columns, _ = points.shape
    assert rows <= wall.ROWS
    assert columns % 4 == 0
    assert 40 <= columns <= wall.COLUMNS
    # A corner of the wall or of the mouth takes several of the places, and has one.
    assert rows >= 10
    radius = np.linalg.norm(points[0, :, :2], axis=1)
    np.testing.assert_allclose(radius, waveguide.driver.exit_radius, atol=1e-9)
    np.testing.assert_allclose(points[0, :, 2], 0.0, atol=1e-12)
    np.testing.assert_allclose(
        np.ptp(points[-1], axis=0), [waveguide.mouth_width, waveguide.mouth_height, 0], atol=1e-9
    )
    np.testing.assert_allclose(points[-1, :, 2], waveguide.depth, atol=1e-9)
    column = np.arange(columns)
    for mirrored, sides in ((-column, (1, -1, 1)), (columns // 2 - column, (-1, 1, 1))):
        np.testing.assert_allclose(points, points[:, mirrored % columns] * sides, atol=1e-12)


@pytest.mark.parametrize("waveguide", OBLONG_BENCHMARK.values(), ids=OBLONG_BENCHMARK)
def test_wall_grid_lies_on_the_surface(waveguide: Waveguide) -> None:
    surface = waveguide.surface
    for x, y, z in wall.grid(waveguide).reshape(-1, 3)[::97]:
        assert wall.radius_at(surface, z, abs(np.arctan2(abs(y), abs(x)))) == pytest.approx(np.hypot(x, y), abs=1e-9)


def test_spread_keeps_corners_and_ends_and_crowds_into_bends() -> None:
    turn = np.linspace(0.0, 0.5 * np.pi, 200)
    bend = np.column_stack([10.0 + np.sin(turn), 1.0 - np.cos(turn)])
    line = np.concatenate([np.column_stack([np.linspace(0.0, 10.0, 200), np.zeros(200)]), bend[1:]])
    chosen = wall.spread(line, 21)
    assert chosen[[0, -1]].tolist() == [0, line.shape[0] - 1]
    # The bend is 14 per cent of the length and all of the turn: 57 per cent of both.
    assert 10 <= (chosen > 200).sum() <= 13
    corner = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    assert wall.spread(corner, 9).tolist() == [0, 1, 3]


def test_still_picture_paints_the_far_side_first_and_tells_inside_from_back() -> None:
    points = wall.grid(CANDIDATE)
    parts = scene.pieces(points)
    cells = (points.shape[0] - 1) * points.shape[1]
    assert sorted(parts.cell.tolist()) == list(range(cells))
    closed = np.concatenate([points, points[:, :1]], axis=1)
    middle = 0.25 * (closed[:-1, :-1] + closed[1:, :-1] + closed[:-1, 1:] + closed[1:, 1:])
    depth = scene.seen(middle.reshape(-1, 3)[parts.cell])[:, 2]
    assert np.all(np.diff(depth) > -1e-12)
    # From in front most of the wall shows its inside.
    assert 0.6 < parts.inside.mean() < 1.0
    assert parts.light.min() >= 0.4
    assert parts.light.max() <= 1.0
    right, up, toward = scene.seen(np.eye(3)).T
    np.testing.assert_allclose(np.stack([right, up, toward]) @ np.stack([right, up, toward]).T, np.eye(3), atol=1e-12)


def test_view_data_hold_the_wall_and_the_balloon() -> None:
    found = view.data(CANDIDATE, seen())
    grid = wall.grid(CANDIDATE)
    points = np.array(found["wall"]["points"]).reshape(found["wall"]["rows"], found["wall"]["columns"], 3)
    # Tenths of a millimetre.
    np.testing.assert_allclose(points * 0.1 * MILLIMETRE, grid, atol=0.0501 * MILLIMETRE)
    levels, names = found["balloon"]["levels"], found["balloon"]["frequencies"]
    # Evenly, and the octaves, some of which are among those already.
    assert view.MOST_FREQUENCIES - 5 <= len(names) <= view.MOST_FREQUENCIES
    shaped = np.array(levels).reshape(len(names), balloon.RINGS, balloon.COLUMNS)
    assert shaped.min() == -300
    assert not shaped[:, 0].any()
    np.testing.assert_array_equal(shaped[:, :, 1:], shaped[:, :, :0:-1])
    # Of the octaves from 1 to 16 kHz the middle one, the nearest solved frequency.
    assert names[found["balloon"]["first"]] == f"{FREQUENCY[np.abs(np.log(FREQUENCY / 4000)).argmin()] / 1e3:.3g} kHz"
    assert view.data(CANDIDATE, seen((0.0, 45.0, 90.0)))["balloon"] is None
    assert view.data(CANDIDATE, None)["balloon"] is None
    assert view.data(WAVEGUIDE, piston())["balloon"]["frequencies"][-1] == "15 kHz (not valid)"
    assert len(view.data_text(found)) < 400_000
    assert "<" not in view.data_text({"a": "</script>"})
    assert json.loads(view.data_text({"a": "</script>"})) == {"a": "</script>"}


def page_text(all_round: Directivity | None = None) -> str:
    return page.report(CANDIDATE, name="n", design_id="1", what="", command="", all_round=all_round)


@pytest.mark.usefixtures("unpainted")
def test_page_lets_its_own_script_run_and_no_other() -> None:
    text = page_text(seen())
    script = re.findall(r"<script>(.*?)</script>", text, flags=re.DOTALL)
    assert len(script) == 1
    policy = next(
        attributes["content"]
        for tag, attributes in Page(text).tags
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    )
    assert (
        policy
        == f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src '{view.script_hash(script[0])}'"
    )
    for way_out in ("fetch", "XMLHttpRequest", "WebSocket", "import(", "eval", "innerHTML"):
        assert way_out not in script[0]
    data = json.loads(re.search(r'id="view-data">(.*?)</script>', text, flags=re.DOTALL)[1])
    assert data == json.loads(json.dumps(view.data(CANDIDATE, seen())))


def test_view_has_names_for_those_who_do_not_see_it_and_a_picture_where_scripts_are_off() -> None:
    parsed = Page(page_text(seen()))
    canvas = next(attributes for tag, attributes in parsed.tags if tag == "canvas")
    assert canvas["tabindex"] == "0"
    assert canvas["aria-label"]
    described = canvas["aria-describedby"]
    assert any(attributes.get("id") == described for _, attributes in parsed.tags)
    assert "hidden" in canvas
    assert any(
        tag == "img" and (attributes["alt"] or "").startswith("The wall in space") for tag, attributes in parsed.tags
    )
    assert any(tag == "noscript" for tag, _ in parsed.tags)
    assert sum(tag == "button" and attributes.get("type") == "button" for tag, attributes in parsed.tags) == 3
    # Hidden until the script runs.
    controls = next(attributes for _, attributes in parsed.tags if attributes.get("data-part") == "controls")
    assert "hidden" in controls


CHROMIUM = shutil.which("chromium")
DRIVER = """
// A browser without a screen paints no frames.
window.requestAnimationFrame = (does) => setTimeout(does, 0);
const told = [], root = document.getElementById("view"), canvas = root.querySelector("canvas");
const after = (does) => new Promise((go) => {
  does();
  setTimeout(() => { told.push(root.dataset.drawn); go(); }, 50);
});
const pointer = (kind, id, x, y) =>
  canvas.dispatchEvent(new PointerEvent(kind, {pointerId: id, clientX: x, clientY: y}));
const key = (name) => canvas.dispatchEvent(new KeyboardEvent("keydown", {key: name}));
const wheel = () => canvas.dispatchEvent(new WheelEvent("wheel", {deltaY: -400, cancelable: true}));
const press = (name) => root.querySelector(`[data-part=${name}]`).click();
canvas.setPointerCapture = () => {};
window.addEventListener("load", async () => {
  await after(() => {});
  await after(() => {
    pointer("pointerdown", 1, 100, 100);
    pointer("pointermove", 1, 140, 120);
    pointer("pointerup", 1, 0, 0);
    pointer("pointermove", 1, 300, 300);
  });
  await after(() => { key("ArrowRight"); key("ArrowDown"); key("+"); });
  await after(wheel);
  await after(() => { canvas.focus(); wheel(); });
  await after(() => press("reset"));
  await after(() => {
    pointer("pointerdown", 1, 100, 100);
    pointer("pointerdown", 2, 200, 100);
    pointer("pointermove", 2, 300, 100);
    pointer("pointerup", 1, 0, 0);
    pointer("pointerup", 2, 0, 0);
  });
  await after(() => press("sound"));
  const slider = root.querySelector("input");
  slider.value = slider.max;
  slider.dispatchEvent(new Event("input"));
  document.title = JSON.stringify([told, slider.getAttribute("aria-valuetext"), canvas.getAttribute("aria-label"),
    root.querySelector("img").hidden, canvas.hidden, canvas.width > 300]);
});
"""


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine to open the page with")
def test_view_turns_zooms_and_shows_the_sound_in_a_browser(tmp_path: Path) -> None:
    policy = f"script-src '{view.script_hash(DRIVER)}' "
    text = page_text(seen()).replace("script-src ", policy).replace("</body>", f"<script>{DRIVER}</script></body>")
    (tmp_path / "page.html").write_text(text, encoding="utf-8")
    shown = subprocess.run(
        [
            *(str(CHROMIUM), "--headless=new", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'user'}"),
            *("--virtual-time-budget=5000", "--dump-dom", (tmp_path / "page.html").as_uri()),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    ).stdout
    told, frequency, name, *canvas = json.loads(re.search("<title>(.*?)</title>", shown)[1])
    grid = wall.grid(CANDIDATE).shape
    # Cells of the wall, and of its rim, axis and two directions each line in twelve steps.
    pieces = (grid[0] - 1) * grid[1] + 12 * (grid[1] + 3)
    assert told[0] == f"wall 35 22 1.00 {pieces}"
    # Half a degree for each pixel; ten for each key.
    assert told[1] == f"wall 15 32 1.00 {pieces}"
    assert told[2] == f"wall 5 42 1.20 {pieces}"
    # The wheel belongs to the page until the view is chosen: then exp(0.6).
    assert told[3] == told[2]
    assert told[4] == f"wall 5 42 {1.2 * np.exp(0.6):.2f} {pieces}"
    assert told[5] == told[0]
    assert told[6] == f"wall 35 22 2.00 {pieces}"
    sound = (balloon.RINGS - 1) * balloon.COLUMNS + 12 * (72 + 3)
    assert told[7] == f"sound 35 22 2.00 {sound}"
    assert frequency == "18 kHz"
    assert name == "Directivity balloon at 18 kHz"
    assert canvas == [True, False, True]
