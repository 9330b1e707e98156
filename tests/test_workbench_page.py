"""The page in a browser, as a user has it: pulled, typed, saved, read back, looked at from all sides, and audited."""

import re
import time

import pytest

from commandline import DESIGN, TARGET
from evenflare import read_design, read_target
from evenflare.workbench import sound
from workbenches import CHROMIUM, browser, served

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium here: apt-get install chromium"),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("page")
    (made / "cone.toml").write_text("# mine\n" + DESIGN)
    (made / "target.toml").write_text("# wish\n" + TARGET)
    return made


@pytest.fixture(scope="module")
def chromium():
    with browser() as made:
        yield made


@pytest.fixture(scope="module")
def looked(folder, chromium):
    """A page that is open, its faults, and the browser that can open more."""
    with served("cone.toml", "--target", "target.toml", folder=folder) as page:
        faults = []
        shown = chromium.new_page()
        shown.on("pageerror", lambda error: faults.append(str(error)))
        shown.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
        shown.goto(page.address)
        settled(shown, None)
        yield shown, faults, chromium, page.address


def stated(shown, label):
    """What the wall's handle of a name says it is at."""
    text = shown.locator(f'#walls [role=slider][aria-label="{label}"]').get_attribute("aria-valuetext")
    return float(re.search(rf"{label} ([\d.]+)", text)[1])


def settled(shown, before):
    """The score once it is another than `before`, solved at full and with its error: the last answer to what was asked,
    which on a busy machine comes a while after the others.
    """
    shown.wait_for_selector(f'#answer[data-score]:not([data-score="{before}"])', timeout=60_000)
    shown.wait_for_selector('#setting[data-setting="full"][data-checked="true"]', timeout=60_000)
    return shown.get_attribute("#answer", "data-score")


def test_a_pulled_handle_changes_the_score_to_the_librarys(looked, folder):
    shown, faults, _, _ = looked
    before = shown.get_attribute("#answer", "data-score")
    handle = shown.locator('#walls [role=slider][aria-label="depth"]')
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    shown.mouse.move(x, y)
    shown.mouse.down()
    for step in range(1, 5):
        shown.mouse.move(x + 6 * step, y - 6 * step)
        shown.wait_for_timeout(100)
    shown.mouse.up()
    settled(shown, before)
    assert stated(shown, "depth") > 82.0
    shown.fill("#save-name", "pulled")
    shown.click("#save")
    shown.wait_for_selector("text=Saved: pulled.toml")
    text = (folder / "pulled.toml").read_text()
    assert text.startswith("# mine\n")
    design, target = read_design(folder / "pulled.toml"), read_target(folder / "target.toml")
    own = sound.judged(sound.solved(folder / "pulled.toml", design, target, "full"), target, folder)
    # Shown with four decimals. On a busy machine shapes on the way may be answered before the last one is.
    shown.wait_for_function(
        "wanted => Math.abs(document.getElementById('answer').dataset.score - wanted) < 1e-3",
        arg=own["score"],
        timeout=60_000,
    )
    assert stated(shown, "depth") == pytest.approx(1e3 * design.waveguide.depth, abs=1e-3)
    assert faults == []


def test_keys_alone_are_enough(looked):
    shown, faults, _, _ = looked
    before, depth = shown.get_attribute("#answer", "data-score"), stated(shown, "depth")
    shown.focus('#walls [role=slider][aria-label="depth"]')
    shown.keyboard.press("ArrowRight")
    now = settled(shown, before)
    assert stated(shown, "depth") > depth
    shown.keyboard.press("Control+z")
    back = settled(shown, now)
    assert float(back) == pytest.approx(float(before), abs=2e-3)
    assert stated(shown, "depth") == pytest.approx(depth)
    shown.focus("#tab-shape")
    shown.keyboard.press("ArrowRight")
    assert shown.is_visible("#target")
    assert not shown.is_visible("#shape")
    shown.keyboard.press("ArrowLeft")
    assert shown.is_visible("#shape")
    assert faults == []


def test_numbers_are_typed_and_wrong_ones_told(looked):
    shown, faults, _, _ = looked
    depth = '#knobs input[name="waveguide/depth_mm"]'
    before = shown.get_attribute("#answer", "data-score")
    shown.fill(depth, "91.5")
    shown.press(depth, "Tab")
    settled(shown, before)
    assert stated(shown, "depth") == 91.5
    shown.fill(depth, "5000")
    shown.press(depth, "Tab")
    shown.wait_for_selector("#said.bad")
    assert "must be 5 to 1000" in shown.inner_text("#said")
    assert stated(shown, "depth") == 91.5
    assert faults == []


def test_a_second_browser_sees_the_same(looked):
    shown, _, chromium, address = looked
    other = chromium.new_page()
    other.goto(address)
    settled(other, None)
    before = other.get_attribute("#answer", "data-score")
    assert before == shown.get_attribute("#answer", "data-score")
    shown.focus('#walls [role=slider][aria-label="depth"]')
    shown.keyboard.press("ArrowLeft")
    assert settled(other, before) == settled(shown, before)
    other.close()


def test_a_target_is_pulled_and_saved_with_its_comments(looked, folder):
    shown, faults, _, _ = looked
    shown.click("#tab-target")
    shown.focus('#wishes [role=slider][aria-label="index at 1500 Hz"]')
    for _ in range(5):
        shown.keyboard.press("ArrowUp")
    shown.wait_for_selector('#wishes [role=slider][aria-valuetext="7.5 dB"]')
    shown.fill("#wish-name", "wished")
    shown.click("#save-wish")
    shown.wait_for_selector("text=Saved: wished.toml")
    assert (folder / "wished.toml").read_text().startswith("# wish\n")
    assert read_target(folder / "wished.toml").index_db[0] == pytest.approx(7.5)
    shown.click("#tab-shape")
    assert faults == []


@pytest.mark.parametrize(("width", "scheme"), [(1400, "light"), (1400, "dark"), (420, "light"), (420, "dark")])
def test_an_audit_finds_nothing_serious(looked, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    shown, _, _, _ = looked
    asked = {"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"], "resultTypes": ["violations"]}
    shown.set_viewport_size({"width": width, "height": 900})
    shown.emulate_media(color_scheme=scheme)
    for tab in ("shape", "target", "run"):
        shown.click(f"#tab-{tab}")
        found = Axe().run(shown, options=asked)
        grave = [each for each in found.response["violations"] if each["impact"] in ("serious", "critical")]
        assert not grave, [(each["id"], [node["html"][:200] for node in each["nodes"]]) for each in grave]
        # Nothing but what scrolls by itself is wider than the screen.
        assert shown.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    shown.click("#tab-shape")


def judged(shown) -> int:
    """How many candidates the page tells of."""
    found = re.search(r"(\d+) candidates", shown.inner_text("#state"))
    return int(found[1]) if found else 0


def said_by_process(shown) -> str:
    """The last lines of what the process that was started on the page says."""
    return shown.inner_text("#process-said")


def until(shown, fit) -> None:
    """Wait until what the page says of the run is fit."""
    ends = time.monotonic() + 120.0
    while not fit():
        assert time.monotonic() < ends, shown.inner_text("#state")
        shown.wait_for_timeout(200)


def test_a_search_is_begun_watched_stopped_and_continued(folder, chromium):
    with served("target.toml", folder=folder) as page:
        shown = chromium.new_page()
        shown.goto(page.address)
        shown.click("#tab-run")
        shown.fill("#folder", "night")
        shown.fill("#candidates", "4000")
        shown.click("#search button[type=submit]")
        until(shown, lambda: judged(shown) > 3)
        first = judged(shown)
        until(shown, lambda: judged(shown) > first)
        until(shown, lambda: re.search(r"at work, about .+ left", shown.inner_text("#state")))
        shown.click("#search button[type=submit]")
        shown.wait_for_selector("#said.bad")
        assert "still at work" in shown.inner_text("#said")
        shown.close()  # stops nothing
        shown = chromium.new_page()
        shown.goto(page.address)
        shown.click("#tab-run")
        shown.click("#stop:not([disabled])")
        until(shown, lambda: "Interrupted: solving and exporting the best so far" in said_by_process(shown))
        shown.click("#stop:not([disabled])")  # leaves that out
        shown.wait_for_selector("text=ended with exit code 130", timeout=120_000)  # interrupted, finished work kept
        until(shown, lambda: "nothing searches in it" in shown.inner_text("#state"))
        before = judged(shown)
        shown.select_option("#across", "depth_mm")
        shown.select_option("#up", "index_db")
        shown.click("#front button[type=submit]")
        shown.wait_for_selector("#front-chart .main-svg")
        shown.fill("#number", "1")
        shown.click("#pick")
        shown.wait_for_selector("text=Candidate 1 is the shape now")
        shown.wait_for_selector(r"text=/The best, candidate \d+, is kept to compare with/")
        assert shown.text_content("h1").startswith("target: candidate 1")
        shown.fill("#folder", "night")
        shown.fill("#candidates", str(before + 4))
        shown.click("#search button[type=submit]")
        until(shown, lambda: judged(shown) > before)
        until(shown, lambda: "Solving and exporting the winner" in said_by_process(shown))  # which the end leaves out
        shown.close()
        assert page.interrupt() in (0, 130)
